"""Tables for other tools: one row per keep or per reading, as CSV or Parquet, made from the journal alone."""
