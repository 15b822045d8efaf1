(function () {
  "use strict";
  // One explorer: the figure that holds this script. Outcomes were computed with the report; this only shows them.
  var figure = document.currentScript.closest("figure");
  var data = JSON.parse(figure.querySelector(".explorer-data").textContent);
  var live = figure.querySelector(".explorer-live");
  var inputs = live.querySelectorAll("input[type=range]");
  var steps = live.querySelectorAll(".explorer-step");
  var rows = live.querySelectorAll("tbody tr");
  var said = live.querySelector("output");

  function show(speak) {
    var chosen = [];
    inputs.forEach(function (input, place) {
      var step = Number(input.value), text = data.controls[place].steps[step];
      chosen.push(step);
      input.setAttribute("aria-valuetext", text);
      steps[place].textContent = text;
    });
    var first = (chosen[0] * data.controls[1].steps.length + chosen[1]) * data.outcomes.length, sentences = [];
    rows.forEach(function (row, place) {
      var cell = data.cells[first + place], bar = data.bars[first + place], cells = row.querySelectorAll("td");
      cells[0].textContent = cell[0];
      cells[1].querySelector(".explorer-text").textContent = cell[1];
      cells[2].textContent = cell[2];
      var range = row.querySelector(".explorer-range"), point = row.querySelector(".explorer-point");
      range.hidden = point.hidden = !bar;
      if (bar) {
        range.style.left = bar[0] + "%";
        range.style.width = Math.max(bar[2] - bar[0], 0.5) + "%";
        point.style.left = bar[1] + "%";
      }
      sentences.push(data.outcomes[place] + ": " + cell[0] + (cell[1] === "\u2014" ? "" : ", " + cell[1]));
    });
    if (speak) {
      said.textContent = data.controls[0].steps[chosen[0]] + "; " + data.controls[1].steps[chosen[1]] + ". " + sentences.join(". ") + ".";
    }
  }

  var waiting = 0;
  inputs.forEach(function (input) {
    input.addEventListener("input", function () {
      show(false);
      window.clearTimeout(waiting);
      waiting = window.setTimeout(function () { show(true); }, 400);
    });
  });
  figure.querySelector(".explorer-table").open = false;
  live.hidden = false;
  show(false);
})();
