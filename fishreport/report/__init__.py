"""From checked data to a finished report: run, cache, assemble, set, put in place."""

import sys

# The `jupyter` metapackage brings rfc3987_syntax, which takes almost a second to import; jsonschema, which nbformat uses to
# check notebooks, treats it as optional (it checks international web addresses, of which notebooks have none). This must
# stand before the first import of nbformat, nbclient, papermill or nbconvert.
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
