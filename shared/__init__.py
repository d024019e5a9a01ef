"""The vocabulary: schema, units, steam properties, settings, errors."""
