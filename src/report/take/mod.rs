//! What was found out about one take before any cut: words for a dark set, and a page.

mod day;
mod page;
mod words;

pub use day::{DayLine, day};
pub use page::{Shown, TakePage, page};
pub use words::{TakeLabels, headline, lines};
