//! The page of one take: its ruler with the measures below it, the pictures that decided,
//! and the reasons.

use super::words::{TakeLabels, headline};
use crate::inspection::{Inspection, Point, Series, TakeVerdict};
use crate::media::Thumbnail;
use crate::report::clock::TakeClock;
use crate::report::document::document;
use crate::report::html::cautions;
use crate::report::plots::{Limits, plots};
use crate::report::ruler::{ALL, LEFT, WIDTH, boxes, dimension, hatchings, lane_name};
use crate::report::scale::Scale;
use crate::report::still::{data, jpeg};
use crate::report::style;
use crate::report::tape::{TAPE, tape};
use crate::report::words::{counted, reason_figures, said, severity_word};
use crate::time::{Frame, FrameRange};
use maud::{Markup, html};

/// A picture on the page.
#[derive(Debug, Clone)]
pub struct Shown {
    /// What it shows, in a few words.
    pub caption: String,
    /// The picture.
    pub picture: Thumbnail,
    /// Outlines drawn over it, in source pixels, with the class of their line.
    pub outlines: Vec<(Vec<Point>, &'static str)>,
    /// True: the patch region is filled, as a matte.
    pub matte: bool,
}

/// Everything the page is drawn from.
#[derive(Debug)]
pub struct TakePage<'a> {
    /// What was found.
    pub inspection: &'a Inspection,
    /// The measures.
    pub series: &'a Series,
    /// Limits of the measures.
    pub limits: Limits,
    /// How frames are said.
    pub labels: TakeLabels,
    /// Seconds of plate that are asked for.
    pub ask_s: f64,
    /// Pictures in order.
    pub pictures: Vec<Shown>,
}

/// Returns the page: one file that reaches for nothing outside itself.
pub fn page(take: &TakePage<'_>) -> String {
    let inspection = take.inspection;
    let name = said(&inspection.media.file);
    let line = headline(inspection, take.labels, take.ask_s);
    let class = match inspection.verdict {
        TakeVerdict::Go => "v-plate",
        TakeVerdict::Attention => "v-undecided",
        TakeVerdict::Stop => "v-by-hand",
    };
    let body = html! {
                (hatchings())
                div class="sheet" {
                    header {
                        h1 { (name) }
                        p class=(format!("big {class}")) { (line) }
                        p class="quiet" { (facts(inspection)) }
                    }
                    main {
                        section aria-label="Ruler of the take" { (ruler(take)) }
                        (pictures(take))
                        (reasons(take))
                    }
                    footer { (cautions()) }
                }
    };
    document("en-GB", &format!("{name}: can it be patched?"), style::VIEWS, &body)
}

fn facts(inspection: &Inspection) -> String {
    let media = &inspection.media;
    let clearance = inspection.divider.as_ref().and_then(|divider| divider.clearance_px);
    let clearance = clearance.map_or(String::new(), |px| format!(" Clearance {px:.1} px."));
    let every = inspection.held_every;
    let sparsely = match every {
        0 | 1 => String::new(),
        _ => format!(" Looked at: {}.", super::words::sparsely(every)),
    };
    format!(
        "{} at {} frames a second, {} x {}.{clearance}{sparsely}",
        counted(inspection.frames, "frame"),
        media.rate,
        media.width,
        media.height
    )
}

fn clock(labels: TakeLabels) -> (TakeClock, i64) {
    match labels.start {
        Some((start, counting)) => (TakeClock::counting_from(counting, start.0), start.0),
        None => (TakeClock::numbers(0), 0),
    }
}

/// The tape of the take, what was found along it, and the measures below.
fn ruler(take: &TakePage<'_>) -> Markup {
    let (clock, start) = clock(take.labels);
    let frames = i64::try_from(take.inspection.frames).unwrap_or(i64::MAX).max(1);
    let scale = Scale {
        range: FrameRange::new(start, start.saturating_add(frames)),
        left: LEFT,
        width: WIDTH,
    };
    let on_take = |ranges: &[FrameRange]| -> Vec<FrameRange> {
        ranges.iter().map(|range| range.shifted(Frame(start) - Frame(0))).collect()
    };
    let found = take.inspection;
    let mut y = 26 + TAPE;
    let mut lanes = vec![
        html! { (lane_name(17, "boom")) (boxes(&scale, &on_take(&found.boom), 2, 24, "boom")) },
        html! { (lane_name(26 + 20, "take")) (tape(&scale, clock, "#", 26)) },
        dimension(&on_take(&found.lock_off), &scale, y + 6, "not shown"),
    ];
    y += 24;
    lanes.push(html! {
        (lane_name(y + 14, "plates"))
        (boxes(&scale, &on_take(&found.plates), y + 1, 19, "plate"))
    });
    y += 24;
    lanes.push(html! {
        (lane_name(y + 14, "can be used"))
        (boxes(&scale, &on_take(&found.patchable), y + 3, 14, "used"))
    });
    y += 26;
    for plot in plots(take.series, take.limits) {
        lanes.push(plot.draw(&scale, start, &mut y));
    }
    html! {
        div class="ruler" role="group" tabindex="0" aria-label="Ruler of the take" {
            svg viewBox=(format!("0 0 {ALL} {}", y + 4)) role="img" aria-labelledby="ruler-t" aria-describedby="ruler-d" {
                title id="ruler-t" { "Ruler of the take" }
                desc id="ruler-d" { (super::words::lines(found, take.labels).join(". ")) }
                @for lane in &lanes { (lane) }
            }
        }
    }
}

fn pictures(take: &TakePage<'_>) -> Markup {
    let media = &take.inspection.media;
    html! {
        @if !take.pictures.is_empty() {
            section aria-labelledby="views" {
                h2 id="views" { "What it rests on" }
                div class="views" {
                    @for shown in &take.pictures { (figure(shown, media.width, media.height)) }
                }
            }
        }
    }
}

fn figure(shown: &Shown, width: u32, height: u32) -> Markup {
    let corners = |outline: &[Point]| -> String {
        let corner = |[x, y]: &Point| format!("{x:.1},{y:.1}");
        outline.iter().map(corner).collect::<Vec<_>>().join(" ")
    };
    html! {
        figure {
            svg viewBox=(format!("0 0 {width} {height}")) role="img" aria-label=(shown.caption) {
                @if shown.matte {
                    rect class="o-ground" width=(width) height=(height) {}
                } @else if let Some(data) = jpeg(&shown.picture).map(|jpeg| data(&jpeg)) {
                    image href=(data) width=(width) height=(height) preserveAspectRatio="none" {}
                }
                @for (outline, class) in &shown.outlines {
                    @if shown.matte {
                        polygon class="o-matte" points=(corners(outline)) {}
                    } @else {
                        polygon class="o-under" points=(corners(outline)) {}
                        polygon class=(class) points=(corners(outline)) {}
                    }
                }
            }
            figcaption { (shown.caption) }
        }
    }
}

fn reasons(take: &TakePage<'_>) -> Markup {
    let (clock, _) = clock(take.labels);
    html! {
        section aria-labelledby="reasons" {
            h2 id="reasons" { "Reasons" }
            @if take.inspection.reasons.is_empty() {
                p class="quiet" { "No reason found to reject it, at the limits used." }
            } @else {
                ul class="reasons" {
                    @for reason in &take.inspection.reasons {
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
}
