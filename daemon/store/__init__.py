"""The session file: one SQLite file a repair. ``FORMAT.md`` beside this describes every byte."""
