"""The machine profile: frozen types, YAML in and out, JSON Schema, differences."""
