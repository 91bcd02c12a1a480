//! The frame of every page: what it may load, how it is scaled, how it looks.

use super::style;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// What a page may load: nothing but what it carries.
const NOTHING_FROM_OUTSIDE: &str =
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline'";

/// Returns a whole page; `rules` come after those that all pages share.
pub(super) fn document(lang: &str, title: &str, rules: &str, body: &Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang=(lang) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(NOTHING_FROM_OUTSIDE);
                title { (title) }
                style { (PreEscaped(style::sheet())) (PreEscaped(rules)) }
            }
            body { (body) }
        }
    };
    page.into_string() + "\n"
}
