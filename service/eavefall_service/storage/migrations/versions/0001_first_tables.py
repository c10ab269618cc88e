"""The first tables; history refuses change and deletion by trigger."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "history",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("survey_id", sa.String(), nullable=True),
        sa.Column("at", sa.String(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("action", sa.String(), nullable=False),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_history")),
    )
    op.create_index(op.f("ix_history_at"), "history", ["at"], unique=False)
    op.create_index(op.f("ix_history_survey_id"), "history", ["survey_id"], unique=False)
    op.create_table(
        "surveys",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("branch", sa.String(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("origin", sa.String(), nullable=False),
        sa.Column("created_by", sa.String(), nullable=False),
        sa.Column("created_at", sa.String(), nullable=False),
        sa.Column("changed_at", sa.String(), nullable=False),
        sa.Column("submitted_at", sa.String(), nullable=True),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("answers", sa.JSON(), nullable=False),
        sa.Column("consent_at", sa.String(), nullable=True),
        sa.Column("consent_training", sa.Boolean(), nullable=False),
        sa.Column("needs", sa.JSON(), nullable=False),
        sa.Column("need_score", sa.Float(), nullable=False),
        sa.Column("fineness_class", sa.String(), nullable=True),
        sa.Column("interval_low", sa.Float(), nullable=True),
        sa.Column("interval_typical", sa.Float(), nullable=True),
        sa.Column("interval_high", sa.Float(), nullable=True),
        sa.Column("guard_m", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_surveys")),
    )
    op.create_index(op.f("ix_surveys_branch"), "surveys", ["branch"], unique=False)
    op.create_index(op.f("ix_surveys_created_at"), "surveys", ["created_at"], unique=False)
    op.create_index(op.f("ix_surveys_need_score"), "surveys", ["need_score"], unique=False)
    op.create_index(op.f("ix_surveys_status"), "surveys", ["status"], unique=False)
    op.create_table(
        "users",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("branch", sa.String(), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=False),
        sa.Column("units", sa.String(), nullable=False),
        sa.Column("created_at", sa.String(), nullable=False),
        sa.Column("disabled_at", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_users")),
        sa.UniqueConstraint("name", name=op.f("uq_users_name")),
    )
    op.create_table(
        "advice_runs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("survey_id", sa.String(), nullable=False),
        sa.Column("created_at", sa.String(), nullable=False),
        sa.Column("input_sha256", sa.String(), nullable=False),
        sa.Column("model", sa.String(), nullable=False),
        sa.Column("rules", sa.String(), nullable=False),
        sa.Column("fineness_class", sa.String(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["survey_id"], ["surveys.id"], name=op.f("fk_advice_runs_survey_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_advice_runs")),
    )
    op.create_index(op.f("ix_advice_runs_survey_id"), "advice_runs", ["survey_id"], unique=False)
    op.create_table(
        "decisions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("survey_id", sa.String(), nullable=False),
        sa.Column("at", sa.String(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("fineness_class", sa.String(), nullable=True),
        sa.Column("interval_months", sa.Float(), nullable=True),
        sa.Column("note", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["survey_id"], ["surveys.id"], name=op.f("fk_decisions_survey_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_decisions")),
    )
    op.create_index(op.f("ix_decisions_survey_id"), "decisions", ["survey_id"], unique=False)
    op.create_table(
        "links",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("survey_id", sa.String(), nullable=False),
        sa.Column("token_hash", sa.String(), nullable=False),
        sa.Column("created_by", sa.String(), nullable=False),
        sa.Column("created_at", sa.String(), nullable=False),
        sa.Column("expires_at", sa.String(), nullable=False),
        sa.Column("revoked_at", sa.String(), nullable=True),
        sa.Column("last_used_at", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["survey_id"], ["surveys.id"], name=op.f("fk_links_survey_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_links")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_links_token_hash")),
    )
    op.create_index(op.f("ix_links_survey_id"), "links", ["survey_id"], unique=False)
    op.create_table(
        "photos",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("survey_id", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("shows", sa.String(), nullable=False),
        sa.Column("of", sa.String(), nullable=True),
        sa.Column("reference", sa.String(), nullable=True),
        sa.Column("shot", sa.String(), nullable=True),
        sa.Column("sent_by", sa.String(), nullable=False),
        sa.Column("sent_role", sa.String(), nullable=False),
        sa.Column("received_at", sa.String(), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("error_code", sa.String(), nullable=True),
        sa.Column("deleted_at", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["survey_id"], ["surveys.id"], name=op.f("fk_photos_survey_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photos")),
        sa.UniqueConstraint("survey_id", "sha256", name=op.f("uq_photos_survey_id")),
    )
    op.create_index(op.f("ix_photos_received_at"), "photos", ["received_at"], unique=False)
    op.create_index("ix_photos_sha256", "photos", ["sha256"], unique=False)
    op.create_index(op.f("ix_photos_survey_id"), "photos", ["survey_id"], unique=False)
    op.create_table(
        "sessions",
        sa.Column("token_hash", sa.String(), nullable=False),
        sa.Column("user_id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.String(), nullable=False),
        sa.Column("expires_at", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["user_id"], ["users.id"], name=op.f("fk_sessions_user_id")),
        sa.PrimaryKeyConstraint("token_hash", name=op.f("pk_sessions")),
    )
    op.create_index(op.f("ix_sessions_user_id"), "sessions", ["user_id"], unique=False)
    op.create_table(
        "corrections",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("foliage", sa.JSON(), nullable=False),
        sa.Column("form", sa.String(), nullable=True),
        sa.Column("created_at", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_corrections_photo_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_corrections")),
    )
    op.create_index(op.f("ix_corrections_photo_id"), "corrections", ["photo_id"], unique=False)
    op.create_table(
        "gauges",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("reference", sa.String(), nullable=False),
        sa.Column("version", sa.String(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_gauges_photo_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauges")),
    )
    op.create_index(op.f("ix_gauges_photo_id"), "gauges", ["photo_id"], unique=False)
    op.create_table(
        "tags",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("model", sa.String(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_tags_photo_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tags")),
        sa.UniqueConstraint("photo_id", "model", name=op.f("uq_tags_photo_id")),
    )
    for verb in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER history_no_{verb.lower()} BEFORE {verb} ON history "
            "BEGIN SELECT RAISE(ABORT, 'history is append-only'); END"
        )


def downgrade() -> None:
    raise NotImplementedError("There is nothing before the first version.")
