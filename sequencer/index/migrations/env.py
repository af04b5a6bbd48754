"""What alembic runs for each migration: on the connection that it is handed, inside its transaction."""

from alembic import context

from sequencer.index.models import Base

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=Base.metadata, render_as_batch=True)
context.run_migrations()
