"""The database: schema, SQLite and PostgreSQL backends, migrations.

Statements about one stage's tables stand in the room of that stage.
"""
