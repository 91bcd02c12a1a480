//! The page of a day: every take that was looked at, the newest first.

use crate::inspection::TakeVerdict;
use crate::report::document::document;
use crate::report::html::cautions;
use crate::report::sheet::link;
use crate::report::words::{counted, said};
use maud::html;

/// One take of the day.
#[derive(Debug, Clone, PartialEq)]
pub struct DayLine {
    /// Name of its file.
    pub take: String,
    /// The answer, as it was printed.
    pub said: String,
    /// The verdict; `None` if it was given on an earlier run.
    pub verdict: Option<TakeVerdict>,
}

impl DayLine {
    fn class(&self) -> &'static str {
        match self.verdict {
            Some(TakeVerdict::Go) => "v-plate",
            Some(TakeVerdict::Attention) => "v-undecided",
            Some(TakeVerdict::Stop) => "v-by-hand",
            None if self.said.starts_with("HAVE IT") => "v-plate",
            None if self.said.starts_with("ROLL") => "v-by-hand",
            None => "v-undecided",
        }
    }
}

/// Returns the page; `lines` in the order in which takes came.
pub fn day(lines: &[DayLine]) -> String {
    let waiting = lines.iter().filter(|line| line.class() != "v-plate").count() as u64;
    let body = html! {
                div class="sheet" {
                    header {
                        h1 { "Takes of the day" }
                        p class="big" {
                            (counted(lines.len() as u64, "take")) " looked at, "
                            (waiting) " to check or roll again."
                        }
                    }
                    main {
                        section aria-labelledby="takes" {
                            h2 id="takes" { "The newest first" }
                            ol class="first" {
                                @for line in lines.iter().rev() {
                                    li {
                                        a href=(link(&format!("{}.html", line.take))) { (said(&line.take)) }
                                        " " span class=(format!("verdict {}", line.class())) {
                                            (line.said.split([' ', ':']).next().unwrap_or_default())
                                        }
                                        " " span { (said(&line.said)) }
                                    }
                                }
                            }
                        }
                    }
                    footer { (cautions()) }
                }
    };
    document("en-GB", "Takes of the day: can they be patched?", "", &body)
}
