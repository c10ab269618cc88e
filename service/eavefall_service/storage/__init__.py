"""One data directory: rows (an SQLite file, or where it says) and a content-addressed folder for photos."""

from eavefall_service.storage.database import Database
from eavefall_service.storage.photo_folder import PhotoFolder

__all__ = ["Database", "PhotoFolder"]
