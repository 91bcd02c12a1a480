//! Invented cuts, and what is said about them: a small walk of our own over flat tracks,
//! so that these tests do not lean on the reader they stand beside.

use platesmith::annotate::{LaidPlate, Marked, PlateMedia};
use platesmith::findings::{
    Basis, Claims, MatchSummary, Method, PlateSummary, UseFinding, Verdict,
};
use platesmith::reason::{Code, Reason, Severity};
use platesmith::settings::Turns;
use platesmith::time::{Exact, FrameRange, Rate, ceil, exact_from_f64, floor, whole};
use platesmith::timeline::json::{Document, Node};
use platesmith::timeline::{ReadOptions, RecordSpan, Speed, Use, read_cut};
use std::path::{Path, PathBuf};

/// A cut as the tests walk it.
pub struct Walked {
    /// Pointer of its Timeline.
    pub timeline: String,
    pub rate: Rate,
    pub uses: Vec<Use>,
    pub findings: Vec<UseFinding>,
}

impl Walked {
    /// Takes the uses the program's own reader finds in a file; `None` if it holds no
    /// timeline.
    pub fn read(path: &Path) -> Option<Walked> {
        let cut = read_cut(path, &ReadOptions::default()).ok().filter(|cut| cut.is_timeline)?;
        let uses = cut.uses;
        let findings = uses.iter().enumerate().map(|(at, used)| finding(at, used)).collect();
        Some(Walked { timeline: cut.timeline_pointer, rate: cut.rate, uses, findings })
    }
}

fn schema(node: Node<'_>) -> String {
    let full = node.get("OTIO_SCHEMA").and_then(Node::text).unwrap_or_default();
    full.split('.').next().unwrap_or_default().to_string()
}

/// Reads a `RationalTime` as seconds.
fn seconds(time: Node<'_>) -> Option<Exact> {
    let rate = rate_of(time)?;
    Some(rate.seconds(&exact_from_f64(time.get("value")?.number()?)?))
}

fn rate_of(time: Node<'_>) -> Option<Rate> {
    Rate::from_f64(time.get("rate")?.number()?)
}

fn range_of(item: Node<'_>) -> Option<Node<'_>> {
    let own = item.get("source_range").filter(|range| !range.is_null());
    own.or_else(|| {
        let reference = match item.get("media_references") {
            Some(all) => all.get("DEFAULT_MEDIA")?,
            None => item.get("media_reference")?,
        };
        reference.get("available_range").filter(|range| !range.is_null())
    })
}

fn is_ours(node: Node<'_>) -> bool {
    node.get("metadata").is_some_and(|metadata| metadata.get("platesmith").is_some())
}

/// Walks the clips of all video tracks at the root of a timeline; a track is left where an
/// item's length is not known.
pub fn walk(document: &Document) -> Option<Walked> {
    let timeline = ["", "/children/0", "/children/1"]
        .into_iter()
        .find(|pointer| document.at(pointer).is_some_and(|node| schema(node) == "Timeline"))?;
    let tracks = document.at(&format!("{timeline}/tracks/children"))?;
    let is_video = |track: &Node<'_>| {
        track.get("kind").and_then(Node::text).as_deref() == Some("Video") && !is_ours(*track)
    };
    let first = tracks.items().filter(is_video).find_map(|track| {
        track.get("children")?.items().find_map(|item| range_of(item)?.get("start_time"))
    })?;
    let rate = document
        .at(&format!("{timeline}/global_start_time"))
        .and_then(rate_of)
        .or_else(|| rate_of(first))?;
    let mut uses = Vec::new();
    // Numbered without ours, so that shots keep their names when the cut is walked again.
    let videos = tracks.items().enumerate().filter(|(_, track)| is_video(track)).enumerate();
    for (number, (at, track)) in videos {
        let pointer = format!("{timeline}/tracks/children/{at}/children");
        uses.extend(walk_track(track, number + 1, &pointer, rate));
    }
    let findings = uses.iter().enumerate().map(|(at, used)| finding(at, used)).collect();
    Some(Walked { timeline: timeline.to_string(), rate, uses, findings })
}

fn walk_track(track: Node<'_>, number: usize, pointer: &str, cut_rate: Rate) -> Vec<Use> {
    let mut uses = Vec::new();
    let mut at = whole(0);
    let mut clear_after = whole(0);
    for (index, item) in track.get("children").into_iter().flat_map(Node::items).enumerate() {
        if schema(item) == "Transition" {
            clear_after = item.get("out_offset").and_then(seconds).unwrap_or_else(|| whole(0));
            continue;
        }
        let Some(range) = range_of(item) else { break };
        let Some(length) = range.get("duration").and_then(seconds) else { break };
        let end = &at + &length;
        let is_seen = item.get("enabled").and_then(Node::boolean) != Some(false);
        if schema(item) == "Clip" && is_seen {
            let pointer = format!("{pointer}/{index}");
            uses.extend(one(item, range, pointer, number, (&at, &end), &clear_after, cut_rate));
        }
        at = end;
        clear_after = whole(0);
    }
    uses
}

fn one(
    clip: Node<'_>,
    range: Node<'_>,
    pointer: String,
    track: usize,
    (start, end): (&Exact, &Exact),
    clear_after: &Exact,
    cut_rate: Rate,
) -> Option<Use> {
    let time = range.get("start_time")?;
    let clip_rate = rate_of(time)?;
    let media_start = clip_rate.frames_in(&seconds(time)?);
    let media_end = &media_start + clip_rate.frames_in(&(end - start));
    let used = FrameRange::new(floor(&media_start), ceil(&media_end));
    let record = RecordSpan { start: start.clone(), end: end.clone() };
    let in_cut = |at: &Exact| cut_rate.frames_in(at);
    Some(Use {
        clip: clip.get("name").and_then(Node::text).unwrap_or_default().into_owned(),
        pointer,
        track,
        visible: record.clone(),
        record,
        range_in_cut: FrameRange::new(floor(&in_cut(start)), ceil(&in_cut(end))),
        speed: Speed::Constant(whole(1)),
        clip_rate,
        first_clear_in_clip: Some(ceil(&(&media_start + clip_rate.frames_in(clear_after)))),
        media_start: media_start.clone(),
        media_span: Some((media_start, media_end)),
        used_in_clip: Some(used),
        rendered_in_clip: Some(used),
        references: Vec::new(),
        texts: Vec::new(),
        shot_name: None,
        reframes: Vec::new(),
        covered: false,
    })
}

/// Invents a finding: verdicts in turn, so that every cut has all kinds.
fn finding(at: usize, used: &Use) -> UseFinding {
    let verdict = Verdict::ALL[(at + 1) % Verdict::ALL.len()];
    let range = used.used_in_clip.unwrap_or_default();
    let need = range.grown(8, 8);
    let mut reasons = Vec::new();
    if verdict == Verdict::ByHand {
        let moved = Reason::new(Code::CameraMoved, Severity::Stop, "The camera moved 3.2 px.");
        reasons.push(moved.over(range).measured(3.2, "px", Some(0.5)));
    }
    UseFinding {
        shot: format!("QR_{:04}", (at + 1) * 10),
        clip: used.clip.clone(),
        pointer: used.pointer.clone(),
        range_in_cut: used.range_in_cut,
        speed: Some("1".into()),
        take: None,
        matched: MatchSummary::default(),
        media: None,
        picture: None,
        picture_map: None,
        take_rate: Some(used.clip_rate),
        used_in_take: Some(range),
        need_in_take: Some(need),
        affected_in_take: vec![range],
        patched_in_take: vec![range],
        used_in_file: None,
        need_in_file: None,
        claims: Claims::default(),
        verdict,
        corrections: Vec::new(),
        residuals: Vec::new(),
        basis: Basis::Claim,
        divider: None,
        plate: verdict.has_plate().then(|| PlateSummary {
            source_file: Some("A014C007.mov".into()),
            from_take: None,
            range_in_take: FrameRange::new(12, 60),
            method: Some(Method::Copy),
            encode_reason: None,
            render_id: None,
            notes: Vec::new(),
            turns: Turns::Twice,
            passes: 2,
            map: Some(vec![[12, 59, 1], [59, 12, -1]]),
            eases: Vec::new(),
            turning: None,
            grain: None,
            file: Some("plates/x.mov".into()),
            record_file: None,
        }),
        matte: None,
        never_free: None,
        temp_comp: None,
        review: None,
        reposition: None,
        reasons,
    }
}

impl Walked {
    /// Lays a plate over every use that has one, in `folder`; every third as images.
    pub fn marked(&self, folder: &str) -> Vec<Marked<'_>> {
        let pairs = self.findings.iter().zip(&self.uses).enumerate();
        pairs.map(|(at, (finding, used))| marked(at, finding, used, folder, self.rate)).collect()
    }
}

fn marked<'a>(
    at: usize,
    finding: &'a UseFinding,
    used: &'a Use,
    folder: &str,
    rate: Rate,
) -> Marked<'a> {
    let name = format!("{}_CP01_v001", finding.shot);
    let folder = PathBuf::from(folder);
    let media = if at % 3 == 2 {
        PlateMedia::Sequence {
            folder: folder.join(&name),
            prefix: format!("{name}."),
            suffix: ".exr".into(),
            first: 1001,
            padding: 4,
        }
    } else {
        PlateMedia::File(folder.join(format!("{name}.mov")))
    };
    let count = used.range_in_cut.count().0 as i64;
    let first = 86_400 + at as i64;
    let plate = finding.plate.is_some().then(|| LaidPlate {
        name,
        media,
        rate,
        available: FrameRange::new(first, first + count + 16),
        first_shown: first + 8,
    });
    Marked { finding, used, plate }
}
