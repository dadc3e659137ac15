"""${message}"""

import sqlalchemy as sa
import sqlmodel
from alembic import op
${imports if imports else ""}
revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}
branch_labels = ${repr(branch_labels)}
depends_on = ${repr(depends_on)}


def upgrade() -> None:
    """Carry the ledger forward."""
    ${upgrades if upgrades else "pass"}


def downgrade() -> None:
    """Nothing carries evidence back: go back by the copy that the upgrade kept."""
    raise NotImplementedError("restore the copy kept beside the ledger before the upgrade")
