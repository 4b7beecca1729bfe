"""The database: schema, named queries, and one module of typed functions for each noun.

`store.migrate.migrate(url)` brings a database up to date; `store.connection` opens it. Functions take an open
connection and leave the transaction to the caller.
"""
