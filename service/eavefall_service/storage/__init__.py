"""One data directory: an SQLite file for rows and a content-addressed folder for photo bytes."""

from eavefall_service.storage.database import Database
from eavefall_service.storage.photo_folder import PhotoFolder

__all__ = ["Database", "PhotoFolder"]
