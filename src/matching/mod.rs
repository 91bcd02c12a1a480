//! Which record of the log describes the take a use shows, and why.
