//! Progress bars, on a terminal only.

use crate::review::Progress;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;

/// A bar on standard error, or nothing where nobody looks.
pub struct Bar {
    bar: Option<ProgressBar>,
}

impl Bar {
    /// Makes a bar if standard error is a terminal and the user did not ask for quiet.
    pub fn new(quiet: bool) -> Bar {
        let wanted = !quiet && std::io::stderr().is_terminal();
        let style = ProgressStyle::with_template("{msg:40!} [{bar:30}] {pos}/{len} {eta}")
            .unwrap_or_else(|_| ProgressStyle::default_bar())
            .progress_chars("=> ");
        let bar =
            || ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr()).with_style(style);
        Bar { bar: wanted.then(bar) }
    }
}

impl Progress for Bar {
    fn stage(&mut self, name: &str, total: u64) {
        if let Some(bar) = &self.bar {
            bar.set_message(name.to_string());
            bar.set_length(total);
            bar.set_position(0);
            bar.reset_eta();
        }
    }

    fn at(&mut self, done: u64) {
        if let Some(bar) = &self.bar {
            bar.set_position(done);
        }
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}
