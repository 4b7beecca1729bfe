"""Data in and out as files: tables in CSV and Parquet, read by a mapping, judged line by line, stored once."""
