"""Methods of storage, the store's day, loss, insects, mould, keeping, and when to test again."""

from core.storage.loss import dry_matter_loss, safe_storage_days
from core.storage.results import StorageRun
from core.storage.simulate import simulate_storage

__all__ = ["StorageRun", "dry_matter_loss", "safe_storage_days", "simulate_storage"]
