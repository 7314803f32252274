"""The report of a job: one HTML file for the customer and the file cabinet, made from the journal alone."""
