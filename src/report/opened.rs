//! What a shot shows when it is opened: pictures, plots, reasons, and what it is made of.

use super::clock::TakeClock;
use super::plots::{Limits, plots};
use super::ruler::{ALL, LEFT, WIDTH, lane_name};
use super::scale::Scale;
use super::still::{Look, Still, StillKind};
use super::tape::{TAPE, tape};
use super::words::said;
use crate::findings::{Findings, Point, UseFinding};
use maud::{Markup, html};

/// The pictures of a use: before and after on one another, the plate, the patch region.
pub(super) fn pictures(found: &UseFinding, look: &Look, clock: TakeClock) -> Markup {
    let shot = said(&found.shot);
    let worst = look.still(StillKind::Worst);
    let at = worst.map_or(String::new(), |still| clock.label(still.frame));
    let plate = look.still(StillKind::Plate);
    html! {
        @if worst.is_some() || found.divider.is_some() {
            div class="views" {
                @if let Some(worst) = worst {
                    @match look.still(StillKind::Patched) {
                        Some(patched) => { (wipe(worst, patched, &shot, &at)) }
                        None => {
                            (figure(worst, &format!("{shot} as shot, {at}")))
                        }
                    }
                }
                @if let Some(plate) = plate { (figure(plate, &format!("The plate at {at}"))) }
                @if let Some(region) = region(found, worst) { (region) }
            }
        }
    }
}

fn image(still: &Still, words: &str) -> Markup {
    let [width, height] = still.size;
    html! { img src=(still.data()) width=(width) height=(height) alt=(words) decoding="async"; }
}

fn figure(still: &Still, caption: &str) -> Markup {
    html! { figure { (image(still, caption)) figcaption { (caption) } } }
}

/// The take on the left, the patched picture on the right, and a slider between.
fn wipe(before: &Still, after: &Still, shot: &str, at: &str) -> Markup {
    html! {
        figure class="wipe" {
            div class="pair" {
                (image(before, &format!("{shot} as shot, {at}")))
                (image(after, &format!("{shot} patched, {at}")))
            }
            input type="range" min="0" max="100" value="50" aria-label=(format!("{shot}: as shot on the left, patched on the right"));
            figcaption { "Left as shot, right patched, " (at) }
        }
    }
}

/// The patch region drawn as a matte, the take's picture faint below it.
fn region(found: &UseFinding, below: Option<&Still>) -> Option<Markup> {
    let divider = found.divider.as_ref()?;
    let media = found.media.as_ref()?;
    let corners = |outline: &[Point]| -> String {
        let corner = |[x, y]: &Point| format!("{x:.1},{y:.1}");
        outline.iter().map(corner).collect::<Vec<_>>().join(" ")
    };
    let clearance = match divider.clearance_px {
        Some(px) => format!("; the nearest that moves is {px:.1} px away"),
        None => String::new(),
    };
    let caption = format!("White is taken from the plate{clearance}");
    let (width, height) = (media.width, media.height);
    Some(html! {
        figure {
            svg class="region" viewBox=(format!("0 0 {width} {height}")) role="img" aria-label=(caption) {
                rect class="o-ground" width=(width) height=(height) {}
                @if let Some(below) = below {
                    image href=(below.data()) width=(width) height=(height) preserveAspectRatio="none" opacity=".35" {}
                }
                @for outline in &divider.outlines { polygon class="o-matte" points=(corners(outline)) {} }
            }
            figcaption { (caption) }
        }
    })
}

/// The measures over need, below a tape of it.
pub(super) fn measures(
    findings: &Findings,
    found: &UseFinding,
    look: &Look,
    clock: TakeClock,
    id: usize,
) -> Markup {
    let lanes = look.series.as_ref().map(|series| plots(series, Limits::of(&findings.settings)));
    let need = found.need_in_take.filter(|need| !need.is_empty());
    let (Some(lanes), Some(need)) = (lanes.filter(|lanes| !lanes.is_empty()), need) else {
        return html! {};
    };
    let scale = Scale { range: need, left: LEFT, width: WIDTH };
    let names: Vec<&str> = lanes.iter().map(|plot| plot.name).collect();
    let words = format!("Measured frame by frame over the frames needed: {}", names.join(", "));
    let mut y = TAPE;
    let drawn: Vec<Markup> =
        lanes.iter().map(|plot| plot.draw(&scale, need.start.0, &mut y)).collect();
    html! {
        div class="ruler" role="group" tabindex="0" aria-label=(format!("Measures of {}", said(&found.shot))) {
            svg viewBox=(format!("0 0 {ALL} {}", y + 4)) role="img" aria-labelledby=(format!("plots-{id}")) {
                title id=(format!("plots-{id}")) { (words) }
                (lane_name(20, "take"))
                (tape(&scale, clock, "#", 0))
                @for lane in &drawn { (lane) }
            }
        }
    }
}
