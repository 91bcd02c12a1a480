//! One shot on the page: what is to be done, its ruler, the reasons, and what it is made of.

use super::clock::{TakeClock, cut_label};
use super::opened::{measures, pictures};
use super::picker::{NOTHING_TO_DECIDE, urgency};
use super::ruler::{Ruled, ruler};
use super::still::Look;
use super::words::{
    basis_words, counted, map_words, method_words, reason_figures, reposition_words, said,
    severity_word, speed_words, statement, take_words,
};
use crate::findings::{Findings, UseFinding, Verdict};
use crate::measure::picture_map::{Fitted, PictureMap};
use crate::time::union;
use maud::{Markup, html};
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};

/// What stays as it is in a link: the unreserved characters of RFC 3986 and the slash.
const LINK: &AsciiSet =
    &NON_ALPHANUMERIC.remove(b'-').remove(b'.').remove(b'_').remove(b'~').remove(b'/');

/// Writes the section of one use; `at` is its place among all uses.
pub(super) fn shot(findings: &Findings, found: &UseFinding, look: &Look, at: usize) -> Markup {
    let clock = TakeClock::of(found, &findings.cut);
    let first_frame = i64::from(findings.settings.first_frame);
    let rank = Verdict::ALL.iter().position(|verdict| *verdict == found.verdict).unwrap_or(0);
    let decisive = found.decisive().filter(|_| urgency(found) < NOTHING_TO_DECIDE);
    html! {
        article class="shot" id=(format!("use-{at}")) aria-labelledby=(format!("name-{at}"))
            data-at=(at) data-rank=(rank) data-verdict=(found.verdict.word()) data-urgency=(urgency(found))
            data-frames=(to_patch(found)) data-shot=(said(&found.shot)) data-find=(findable(found)) {
            div class="head" {
                h3 id=(format!("name-{at}")) { (said(&found.shot)) }
                span class=(format!("verdict v-{}", found.verdict.word())) { (found.verdict.shown()) }
            }
            p {
                (statement(found)) " "
                @if let Some(reason) = decisive { (said(&reason.text)) " " }
                span class="quiet" { (basis_words(found)) }
            }
            @match ruler(&Ruled { found, clock, first_frame, id: at }) {
                Some(drawing) => { (drawing) }
                None => { p class="quiet" { "No frame of its take is known, so there is nothing to lay a ruler on." } }
            }
            details {
                summary { (opens(found, look)) }
                (pictures(found, look, clock))
                (measures(findings, found, look, clock, at))
                div class="sides" {
                    div { (reasons(found, clock)) }
                    (facts(findings, found, clock))
                }
            }
        }
    }
}

/// Says what a shot holds when it is opened.
fn opens(found: &UseFinding, look: &Look) -> String {
    let parts = [
        (!look.stills.is_empty()).then_some("pictures"),
        look.series.is_some().then_some("measures"),
        Some("reasons"),
        Some("frames"),
        (!files(found).is_empty()).then_some("files"),
    ];
    let parts: Vec<&str> = parts.into_iter().flatten().collect();
    let (last, others) = parts.split_last().unwrap_or((&"frames", &[]));
    let text = format!("{} and {last}", others.join(", "));
    text[..1].to_uppercase() + &text[1..]
}

/// Counts the frames the patch is on.
pub(super) fn to_patch(found: &UseFinding) -> u64 {
    let runs = union(&found.patched_in_take);
    runs.iter().fold(0u64, |sum, run| sum.saturating_add(run.count().0))
}

/// What a search looks through: names, verdict and reasons, in small letters.
fn findable(found: &UseFinding) -> String {
    let take = found.take.as_ref().map(take_words).unwrap_or_default();
    let file = found.media.as_ref().map_or("", |media| media.file.as_str());
    let mut words = vec![found.shot.as_str(), &found.clip, &take, file, found.verdict.shown()];
    words.extend(
        found.reasons.iter().flat_map(|reason| [reason.code.short(), reason.text.as_ref()]),
    );
    said(&words.join(" ")).to_lowercase()
}

fn reasons(found: &UseFinding, clock: TakeClock) -> Markup {
    html! {
        @if found.reasons.is_empty() {
            p class="quiet" { "No reason found to reject it, at the limits used." }
        } @else {
            ul class="reasons" {
                @for reason in &found.reasons {
                    @let word = severity_word(reason.severity);
                    li {
                        span class=(format!("sev sev-{word}")) { (word) }
                        (said(&reason.text))
                        span class="figures" { (said(&reason_figures(reason, clock))) }
                    }
                }
            }
        }
    }
}

/// What a use is made of, row by row.
fn facts(findings: &Findings, found: &UseFinding, clock: TakeClock) -> Markup {
    let cut = &findings.cut;
    let record = found.range_in_cut;
    let mut rows: Vec<(&str, Markup)> = Vec::new();
    let mut row = |name: &'static str, value: String| rows.push((name, html! { (value) }));
    row(
        "in the cut",
        format!(
            "{} to {}, {}",
            cut_label(cut, record.start),
            cut_label(cut, record.end),
            counted(record.count().0, "frame")
        ),
    );
    row("clip", said(&found.clip));
    if let Some(take) = found.take.as_ref().map(take_words).filter(|take| !take.is_empty()) {
        row("take", take);
    }
    for (name, range) in [("used", found.used_in_take), ("need", found.need_in_take)] {
        if let Some(range) = range {
            row(name, format!("{}, {}", clock.span(range), counted(range.count().0, "frame")));
        }
    }
    if found.speed.as_deref() != Some("1") {
        row("speed", speed_words(found.speed.as_deref()));
    }
    for (name, value) in media_and_plate(found) {
        row(name, value);
    }
    if let Some(hides) = &found.reposition {
        row("would hide it", format!("{}; said, not applied", reposition_words(hides)));
    }
    if !found.matched.clues.is_empty() {
        row("matched by", said(&found.matched.clues.join(", ")));
    }
    if let Some(fitted) = &found.picture_map {
        row("proxy in the pull", proxy_words(fitted));
    }
    if let Some(why) = super::words::not_patched(found) {
        row("temp comp", why.into());
    }
    if files(found).iter().any(|(_, file)| file.starts_with("preview/")) {
        row("rendered from", "a proxy: previews to look at, not for final work".into());
    }
    let files = files(found);
    if !files.is_empty() {
        rows.push(("files", links(&files)));
    }
    html! { dl { @for (name, value) in &rows { dt { (name) } dd { (value) } } } }
}

fn media_and_plate(found: &UseFinding) -> Vec<(&'static str, String)> {
    let mut rows = Vec::new();
    match &found.media {
        Some(media) => rows.push((
            "media",
            format!(
                "{}, {} x {}, {} frames a second, {}",
                said(&media.file),
                media.width,
                media.height,
                media.rate,
                match media.encoding.as_str() {
                    "unknown" => "encoding unknown".to_string(),
                    encoding => said(encoding),
                }
            ),
        )),
        None => rows.push(("media", "not found".into())),
    }
    if let Some(plate) = &found.plate {
        if let Some(file) = &plate.source_file {
            rows.push(("plate from", said(file)));
        }
        rows.extend(map_words(plate).map(|words| ("plate runs", words)));
        rows.extend(method_words(plate).map(|words| ("made by", words)));
    }
    rows
}

/// The files of a use that lie beside the page, with their names.
fn files(found: &UseFinding) -> Vec<(&'static str, &str)> {
    let plate = found.plate.as_ref();
    let all = [
        ("plate", plate.and_then(|plate| plate.file.as_deref())),
        ("plate at record speed", plate.and_then(|plate| plate.record_file.as_deref())),
        ("matte", found.matte.as_deref()),
        ("never free of the boom", found.never_free.as_deref()),
        ("temp comp", found.temp_comp.as_deref()),
        ("review copy", found.review.as_deref()),
    ];
    all.into_iter().filter_map(|(name, file)| Some((name, file?))).collect()
}

fn links(files: &[(&str, &str)]) -> Markup {
    html! {
        @for (at, (name, file)) in files.iter().enumerate() {
            @if at > 0 { br; }
            (name) ": " a href=(link(file)) { (said(file)) }
        }
    }
}

/// Makes a relative link; `./` in front, so that no file name is taken for a scheme.
pub(super) fn link(file: &str) -> String {
    format!("./{}", utf8_percent_encode(file.trim_start_matches('/'), LINK))
}

/// Says where a proxy's picture lies in the full-size one.
fn proxy_words(fitted: &Fitted) -> String {
    let PictureMap { scale: [across, down], offset: [x, y] } = fitted.map;
    format!(
        "{across:.4} times as wide, {down:.4} times as high; its upper left corner lies at {x:.1}, {y:.1} px (corners within {:.2} px)",
        fitted.error_px
    )
}
