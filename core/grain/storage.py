"""Older address of `core.storage`, kept callable for checks outside the project; nothing inside imports it."""

from core.storage import StorageRun, dry_matter_loss, safe_storage_days, simulate_storage

__all__ = ["StorageRun", "dry_matter_loss", "safe_storage_days", "simulate_storage"]
