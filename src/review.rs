//! Runs the whole job over a cut; progress by callback, never prints.
