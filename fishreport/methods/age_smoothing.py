"""Probability of each age at a length: a multinomial logit model, for keys with empty or thin length bins."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fishreport.methods.growth_curves import Floats

_PENALTY = 1e-2
_LARGEST_SE = 1000.0
_LEAST_GAIN = 1e-12
_ROUNDING = 1e-13


@dataclass(frozen=True)
class AgeModel:
    """Multinomial logit of age on length.

    ``log(p_a / p_base) = intercept_a + slope_a (length - centre) / scale``

    Attributes
    ----------
    ages : array (ages,)
        All ages of the key; those that no aged fish had get probability 0.
    present : array (ages,) of bool
    centre, scale : float
        Mean and standard deviation of the aged lengths (mm).
    coefficients : array (present ages - 1, 2)
        Intercept and slope of every present age but the first.
    covariance : array (k, k)
        Of the raveled coefficients: the inverse of the information.
    length_mm, age : arrays (aged fish,)
        The fish that it was fitted to.
    penalised : bool
        True where ages do not overlap in length, so that the slopes have no finite maximum of the likelihood; a small
        quadratic penalty on them then holds them.
    log_likelihood : float
    notes : tuple[str, ...]
    """

    ages: np.ndarray
    present: np.ndarray
    centre: float
    scale: float
    coefficients: Floats
    covariance: Floats = field(repr=False)
    length_mm: Floats = field(repr=False)
    age: np.ndarray = field(repr=False)
    penalised: bool
    log_likelihood: float
    notes: tuple[str, ...]

    def probabilities(self, length_mm: Floats) -> Floats:
        """Probability of each age, (lengths, ages)."""
        return self.draw_probabilities(length_mm, self.coefficients[None])[0]

    def draw_probabilities(self, length_mm: Floats, coefficients: Floats) -> Floats:
        """The same for many sets of coefficients (draws, present ages - 1, 2): (draws, lengths, ages)."""
        z = (np.asarray(length_mm, float) - self.centre) / self.scale
        share = _softmax(coefficients, z)
        out = np.zeros((*share.shape[:-1], self.ages.size))
        out[..., self.present] = share
        out[:, np.isnan(z)] = np.nan
        return out


def _softmax(coefficients: Floats, z: Floats) -> Floats:
    """(draws, lengths, present ages)."""
    share = np.zeros((coefficients.shape[0], z.size, coefficients.shape[1] + 1))
    np.multiply(coefficients[:, None, :, 1], z[None, :, None], out=share[:, :, 1:])
    share[:, :, 1:] += coefficients[:, None, :, 0]
    share -= share.max(axis=-1, keepdims=True)
    np.exp(share, out=share)
    share /= share.sum(axis=-1, keepdims=True)
    return share


def _inverse(information: Floats) -> Floats:
    """Inverse of a symmetric matrix; a direction without information gets a variance that is huge, not 0."""
    values, vectors = np.linalg.eigh(information)
    return (vectors / np.maximum(values, 1e-12 * max(float(values[-1]), 1e-300))) @ vectors.T


def _climb(z: Floats, member: Floats, penalty: float) -> tuple[Floats, Floats, float, bool]:
    """Newton's method with step halving: coefficients, inverse information, log-likelihood, and whether it settled."""
    design = np.column_stack([np.ones_like(z), z])
    others = member.shape[1] - 1
    outer = np.einsum("ni,nj->nij", design, design).reshape(z.size, 4)
    held = penalty * np.tile([0.0, 1.0], others)

    def value(at: Floats) -> tuple[float, Floats]:
        share = _softmax(at.reshape(1, others, 2), z)[0]
        fit = float(np.sum(np.log(np.maximum((share * member).sum(axis=1), 1e-300))))
        return fit - float(held @ at**2) / 2, share[:, 1:]

    at = np.zeros(others * 2)
    best, share = value(at)
    settled = False
    information = np.eye(others * 2)
    for _ in range(200):
        gradient = ((member[:, 1:] - share).T @ design).ravel() - held * at
        spread = np.einsum("na,ab->nab", share, np.eye(others)) - share[:, :, None] * share[:, None, :]
        information = (spread.reshape(z.size, -1).T @ outer).reshape(others, others, 2, 2).swapaxes(1, 2)
        information = information.reshape(others * 2, others * 2) + np.diag(held)
        step = np.linalg.lstsq(information, gradient, rcond=1e-14)[0]
        # Newton's method doubles the right digits each time: after a step of this gain what is left is beyond rounding.
        settled = float(step @ gradient) < _LEAST_GAIN * max(1.0, abs(best))
        length = 1.0
        tried, share = value(at + step)
        while length > 1e-8 and tried < best - _ROUNDING * abs(best):
            length /= 2
            tried, share = value(at + length * step)
        at, best = at + length * step, max(best, tried)
        if settled or np.max(np.abs(at)) > 1e4:
            break
    covariance: Floats = np.asarray(_inverse(information), float)
    return at.reshape(others, 2), covariance, best, settled


def fit_age_model(length_mm: Floats, age: np.ndarray, ages: np.ndarray) -> AgeModel:
    """Fit the model by maximum likelihood.

    Parameters
    ----------
    length_mm, age : arrays (aged fish,)
        Complete, whole ages.
    ages : array (ages,)
        The ages that the result shall cover.

    Returns
    -------
    AgeModel
        Where the maximum lies at infinity (ages that do not overlap in length), the slopes are held by a quadratic penalty
        of weight 0.01 on slopes per standard deviation of length, and a note says so.
    """
    present = np.isin(ages, age)
    centre = float(length_mm.mean())
    scale = float(length_mm.std()) or 1.0
    z = (length_mm - centre) / scale
    member = (age[:, None] == ages[present][None, :]).astype(float)
    missing = ages[~present]
    notes = []
    if missing.size:
        those = "that age" if len(missing) == 1 else "those ages"
        notes.append(f"no aged fish of age {', '.join(str(a) for a in missing)}: the key gives {those} to no fish")
    if member.shape[1] == 1:
        notes.append("all aged fish have the same age")
        return AgeModel(
            ages, present, centre, scale, np.zeros((0, 2)), np.zeros((0, 0)), length_mm, age, False, 0.0, tuple(notes)
        )
    coefficients, covariance, likelihood, settled = _climb(z, member, 0.0)
    penalised = not settled or bool(np.max(np.diag(covariance)) > _LARGEST_SE**2)
    if penalised:
        coefficients, covariance, likelihood, settled = _climb(z, member, _PENALTY)
        notes.append("some ages do not overlap in length: the smoothed shares between them are held by a small penalty")
    return AgeModel(ages, present, centre, scale, coefficients, covariance, length_mm, age, penalised, likelihood, tuple(notes))


def resample_age_model(model: AgeModel, resamples: int, rng: np.random.Generator) -> Floats:
    """Coefficients of the model fitted again to aged fish drawn with replacement, (resamples, present ages - 1, 2).

    Every replicate is held by the small penalty, drawn towards the coefficients of the model itself, so that one that lacks
    an age, or in which ages do not overlap, stays finite. Newton's method, all replicates at once.
    """
    others = len(model.coefficients)
    at = np.tile(model.coefficients.ravel(), (resamples, 1))
    if others == 0:
        return at.reshape(resamples, 0, 2)
    n = model.age.size
    z = (model.length_mm - model.centre) / model.scale
    powers = np.stack([np.ones_like(z), z, z * z])
    member = (model.age[None, :] == model.ages[model.present][:, None]).astype(float)
    place = member.argmax(axis=0)
    weight = rng.multinomial(n, np.full(n, 1 / n), size=resamples).astype(float)
    home = model.coefficients.ravel()
    diagonal = np.arange(others)

    def value(coefficients: Floats, weight: Floats) -> tuple[Floats, Floats]:
        """Penalised log-likelihood and shares (replicates, ages but the first, fish)."""
        line = np.zeros((len(coefficients), others + 1, n))
        np.matmul(coefficients.reshape(-1, others, 2), powers[:2], out=line[:, 1:])
        line -= line.max(axis=1, keepdims=True)
        own = np.take_along_axis(line, place[None, None, :], axis=1)[:, 0]
        share = np.exp(line, out=line)
        total = share.sum(axis=1, keepdims=True)
        fit = np.einsum("bn,bn->b", weight, own - np.log(total[:, 0]))
        return fit - _PENALTY * ((coefficients - home) ** 2).sum(1) / 2, (share / total)[:, 1:]

    # Replicates that have settled are set aside; those that have not are followed on.
    moving = np.arange(resamples)
    best, share = value(at, weight)
    for _ in range(15):
        now = at[moving]
        gradient = ((weight[:, None, :] * (member[1:] - share)) @ powers[:2].T).reshape(moving.size, -1)
        gradient -= _PENALTY * (now - home)
        information = np.empty((moving.size, others, 2, others, 2))
        for power, corners in enumerate((((0, 0),), ((0, 1), (1, 0)), ((1, 1),))):
            drawn = share * (weight * powers[power])[:, None, :]
            block = -(drawn @ share.swapaxes(1, 2))
            block[:, diagonal, diagonal] += drawn.sum(axis=2)
            for one, two in corners:
                information[:, :, one, :, two] = block
        flat = information.reshape(moving.size, others * 2, others * 2) + _PENALTY * np.eye(others * 2)
        step = np.linalg.solve(flat, gradient[..., None])[..., 0]
        length = np.ones((moving.size, 1))
        tried, share = value(now + step, weight)
        for _ in range(12):
            worse = np.flatnonzero(tried < best - 1e-9 * np.abs(best))
            if not worse.size:
                break
            length[worse] /= 2
            tried[worse], share[worse] = value(now[worse] + length[worse] * step[worse], weight[worse])
        at[moving] = now + length * step
        still = np.abs(length * step).max(axis=1) >= 1e-2  # what is left after such a step is of its square
        if not still.any():
            break
        moving, weight, share, best = moving[still], weight[still], share[still], np.maximum(best, tried)[still]
    return at.reshape(resamples, others, 2)
