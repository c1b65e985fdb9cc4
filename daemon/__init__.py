"""The daemon: polls, tags, stores and judges. Its two doors are ``records`` and ``commands``."""
