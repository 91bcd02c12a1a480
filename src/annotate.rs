//! Our marks and plate tracks, onto the timeline and off again.
