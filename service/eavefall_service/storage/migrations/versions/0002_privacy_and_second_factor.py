"""Second factor, settings and erasures; the history lets go of erased surveys and of old lines."""

from alembic import op

from eavefall_service.storage import statistics_rows  # noqa: F401  (their tables belong to the metadata)
from eavefall_service.storage.rows import Base

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    Base.metadata.create_all(op.get_bind())  # only the tables that are not there yet
    if op.get_bind().dialect.name == "postgresql":
        # A trigger's condition may not look into other tables there, so its function does.
        op.execute(
            "CREATE FUNCTION history_lets_go() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
            "IF EXISTS (SELECT 1 FROM erasures WHERE survey_id = OLD.survey_id) "
            "OR (OLD.survey_id IS NULL AND OLD.at < coalesce("
            "(SELECT value ->> 'before' FROM settings WHERE name = 'record past its time'), '')) "
            "THEN RETURN OLD; END IF; "
            "RAISE EXCEPTION 'history is append-only' USING ERRCODE = 'integrity_constraint_violation'; "
            "END $$"
        )
        op.execute("DROP TRIGGER history_no_delete ON history")
        op.execute(
            "CREATE TRIGGER history_no_delete BEFORE DELETE ON history FOR EACH ROW "
            "EXECUTE FUNCTION history_lets_go()"
        )
        return
    op.execute("DROP TRIGGER history_no_delete")
    op.execute(
        "CREATE TRIGGER history_no_delete BEFORE DELETE ON history "
        "WHEN NOT EXISTS (SELECT 1 FROM erasures WHERE survey_id = OLD.survey_id) "
        "AND NOT (OLD.survey_id IS NULL AND OLD.at < coalesce("
        "(SELECT json_extract(value, '$.before') FROM settings WHERE name = 'record past its time'), '')) "
        "BEGIN SELECT RAISE(ABORT, 'history is append-only'); END"
    )


def downgrade() -> None:
    raise NotImplementedError("Bring the copy back that was made before the upgrade.")
