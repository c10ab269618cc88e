"""Run migrations on the connection that :class:`eavefall_service.storage.database.Database` hands over."""

from alembic import context

from eavefall_service.storage import statistics_rows  # noqa: F401  (their tables belong to the metadata)
from eavefall_service.storage.rows import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,  # SQLite cannot alter most things in place
)
context.run_migrations()
