"""Tables of the office statistics, and an index by which they follow the surveys."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "audit_facts",
        sa.Column("survey_id", sa.String(), nullable=False),
        sa.Column("at", sa.String(), nullable=False),
        sa.Column("week", sa.Integer(), nullable=False),
        sa.Column("branch", sa.String(), nullable=False),
        sa.Column("rep", sa.String(), nullable=False),
        sa.Column("season", sa.String(), nullable=False),
        sa.Column("phone", sa.String(), nullable=False),
        sa.Column("model", sa.String(), nullable=False),
        sa.Column("model_class", sa.String(), nullable=False),
        sa.Column("rep_class", sa.String(), nullable=False),
        sa.Column("auditor_class", sa.String(), nullable=True),
        sa.Column("confidence", sa.Float(), nullable=False),
        sa.Column("corrected", sa.Integer(), nullable=False),
        sa.Column("unsure", sa.Integer(), nullable=False),
        sa.Column("poor_photo", sa.Integer(), nullable=False),
        sa.Column("needle", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["survey_id"], ["surveys.id"], name=op.f("fk_audit_facts_survey_id")),
        sa.PrimaryKeyConstraint("survey_id", name=op.f("pk_audit_facts")),
    )
    op.create_index(op.f("ix_audit_facts_answers"), "audit_facts", ["model_class", "rep_class", "branch"])
    op.create_index(
        op.f("ix_audit_facts_branch_stream"),
        "audit_facts",
        ["branch", "week", "at", "survey_id", "corrected", "unsure", "poor_photo", "needle"],
    )
    op.create_index(op.f("ix_audit_facts_model"), "audit_facts", ["model", "at"])
    op.create_index(
        op.f("ix_audit_facts_phone_stream"),
        "audit_facts",
        ["phone", "week", "at", "survey_id", "corrected", "unsure", "poor_photo", "needle"],
    )
    op.create_index(
        op.f("ix_audit_facts_season"),
        "audit_facts",
        ["season", "week", "corrected", "unsure", "poor_photo", "needle"],
    )
    op.create_index(op.f("ix_audit_facts_week"), "audit_facts", ["week", "branch", "rep", "rep_class"])
    op.create_table(
        "audit_progress",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("value", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_audit_progress")),
    )
    op.create_table(
        "audit_draws",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.String(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("first_week", sa.Integer(), nullable=False),
        sa.Column("last_week", sa.Integer(), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("listed", sa.Integer(), nullable=False),
        sa.Column("list_sha256", sa.String(), nullable=False),
        sa.Column("plan", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_draws")),
    )
    op.create_index(op.f("ix_audit_draws_first_week"), "audit_draws", ["first_week"])
    op.create_table(
        "audit_sampled",
        sa.Column("draw_id", sa.Integer(), nullable=False),
        sa.Column("survey_id", sa.String(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("weight", sa.Float(), nullable=False),
        sa.Column("second_reader", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["draw_id"], ["audit_draws.id"], name=op.f("fk_audit_sampled_draw_id")),
        sa.ForeignKeyConstraint(["survey_id"], ["surveys.id"], name=op.f("fk_audit_sampled_survey_id")),
        sa.PrimaryKeyConstraint("draw_id", "survey_id", name=op.f("pk_audit_sampled")),
    )
    op.create_index(op.f("ix_audit_sampled_survey"), "audit_sampled", ["survey_id"])
    op.create_table(
        "audit_reads",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("survey_id", sa.String(), nullable=False),
        sa.Column("reader", sa.String(), nullable=False),
        sa.Column("answer", sa.String(), nullable=False),
        sa.Column("is_first", sa.Integer(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("at", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["survey_id"], ["surveys.id"], name=op.f("fk_audit_reads_survey_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_reads")),
    )
    op.create_index(op.f("ix_audit_reads_first"), "audit_reads", ["is_first", "survey_id", "answer"])
    op.create_index(op.f("ix_audit_reads_survey"), "audit_reads", ["survey_id", "reader"])
    op.create_table(
        "audit_outcomes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("survey_id", sa.String(), nullable=False),
        sa.Column("guard", sa.String(), nullable=False),
        sa.Column("found", sa.String(), nullable=False),
        sa.Column("months", sa.Float(), nullable=False),
        sa.Column("last_clean_months", sa.Float(), nullable=False),
        sa.Column("predicted_low", sa.Float(), nullable=False),
        sa.Column("predicted_typical", sa.Float(), nullable=False),
        sa.Column("predicted_high", sa.Float(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("recorded_by", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["survey_id"], ["surveys.id"], name=op.f("fk_audit_outcomes_survey_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_outcomes")),
    )
    op.create_index(op.f("ix_audit_outcomes_guard"), "audit_outcomes", ["guard"])
    op.create_index(op.f("ix_audit_outcomes_survey_id"), "audit_outcomes", ["survey_id"])
    op.create_table(
        "audit_scales",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("guard", sa.String(), nullable=False),
        sa.Column("factor", sa.Float(), nullable=False),
        sa.Column("update", sa.JSON(), nullable=False),
        sa.Column("accepted_by", sa.String(), nullable=False),
        sa.Column("accepted_at", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_scales")),
    )
    op.create_index(op.f("ix_audit_scales_guard"), "audit_scales", ["guard"])
    op.create_table(
        "audit_charts",
        sa.Column("events", sa.Integer(), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("ratio", sa.Float(), nullable=False),
        sa.Column("horizon", sa.Integer(), nullable=False),
        sa.Column("false_alarm", sa.Float(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint(
            "events", "n", "ratio", "horizon", "false_alarm", name=op.f("pk_audit_charts")
        ),
    )
    op.create_index("ix_surveys_changed_at", "surveys", ["changed_at"])


def downgrade() -> None:
    raise NotImplementedError("Go back by restoring a copy of the data directory.")
