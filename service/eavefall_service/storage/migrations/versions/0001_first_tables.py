"""All tables as :mod:`eavefall_service.storage` describes them, and a history that only grows.

Nothing is released yet, so the first version is whatever the rows say today. With the first release its
tables are written out here, and every later change becomes a migration of its own.
"""

from alembic import op

from eavefall_service.storage import statistics_rows  # noqa: F401  (their tables belong to the metadata)
from eavefall_service.storage.rows import Base

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    Base.metadata.create_all(op.get_bind())
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION history_refuses() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
            "RAISE EXCEPTION 'history is append-only' USING ERRCODE = 'integrity_constraint_violation'; "
            "END $$"
        )
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER history_no_{verb.lower()} BEFORE {verb} ON history FOR EACH ROW "
                "EXECUTE FUNCTION history_refuses()"
            )
        # A statement without rows of its own, so it passes the other two.
        op.execute(
            "CREATE TRIGGER history_no_truncate BEFORE TRUNCATE ON history EXECUTE FUNCTION history_refuses()"
        )
        return
    for verb in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER history_no_{verb.lower()} BEFORE {verb} ON history "
            "BEGIN SELECT RAISE(ABORT, 'history is append-only'); END"
        )


def downgrade() -> None:
    raise NotImplementedError("There is nothing before the first version.")
