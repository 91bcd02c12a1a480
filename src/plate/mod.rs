//! Plates: how their frames are laid out over need, copied or encoded, and named.
