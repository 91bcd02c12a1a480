//! Patched frames against lock-off and plate reach, from the log alone.
