"""Many waters: every study below a folder, side by side on this machine or on a Dask cluster, and a regional roll-up."""

from fishreport.batch.run import Batch, batch

__all__ = ["Batch", "batch"]
