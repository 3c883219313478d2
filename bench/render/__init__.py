"""Text for people: numbers with their units, the report of a test, cautions; pint at the edge."""
