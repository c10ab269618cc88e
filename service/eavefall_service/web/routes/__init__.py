"""The routes, one small module for each area; a new area adds its router here."""

from typing import Final

from fastapi import APIRouter

from eavefall_service.web.routes import pictures, root, sign_in

__all__ = ["ROUTERS"]

ROUTERS: Final[tuple[APIRouter, ...]] = (root.router, sign_in.router, pictures.router)
