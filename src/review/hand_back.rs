//! Renders plates, annotates the timeline and writes everything a turnover holds.

use super::finish::MERGED_LOG;
use super::looks::looks;
use super::patches::{MATTES, REVIEW, TEMP};
use super::renders::{PLATES, PREVIEW, RECEIPTS, Rendered, render_plates};
use super::{Job, Progress, Review};
use crate::annotate::{
    Marked, MarkerPlaces, Options, PlateClips, Swap, annotate, rebase_media, swap_media, zero_based,
};
use crate::error::{BadInput, Faults};
use crate::report;
use crate::settings::{EdlReels, Settings};
use crate::time::fraction;
use crate::timeline::json::Document;
use crate::timeline::{BundleKind, Cut, MediaPlace, Use};
use crate::whole::{OWN_PARTS, put_whole, sweep};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// How a turnover is handed back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HandBack {
    /// The folder to fill.
    pub out: PathBuf,
    /// Where markers go.
    pub markers: MarkerPlaces,
    /// How plates are laid into the timeline.
    pub plates: PlateClips,
    /// Whether the cut is also written with temp comps in place of the takes.
    pub with_temp: bool,
    /// Whether what is written of the cut is also written with media that begin at zero.
    pub zero_based: bool,
    /// True: an annotated timeline given as the cut may be replaced by its new self.
    pub replace_cut: bool,
    /// True: no review copies, whatever the settings say.
    pub no_review: bool,
    /// How reels are named in `pulls.edl`, in place of what the settings say.
    pub edl: Option<EdlReels>,
}

impl HandBack {
    /// Puts what was asked for into the settings a cut is reviewed with.
    pub fn settle(&self, settings: &mut Settings) {
        settings.review_copies &= !self.no_review;
        settings.edl = self.edl.unwrap_or(settings.edl);
    }

    /// Makes sure that the output folder can be used before any work is done: it lies in no
    /// media folder, and what is written never replaces the cut.
    ///
    /// # Errors
    ///
    /// Every reason against the folder.
    pub fn check(&self, job: &Job) -> Result<(), Faults> {
        let out = resolved(&self.out);
        let mut faults = Vec::new();
        for folder in &job.media {
            let media = resolved(folder);
            // A folder of media that holds the output by accident would be searched with
            // our own plates in it on the next run, and sources lie beside outputs.
            if out.starts_with(&media) {
                faults.push(BadInput::new(
                    self.out.display().to_string(),
                    "",
                    format!("the output folder lies inside the media folder {}", folder.display()),
                    "choose a folder outside all media folders",
                ));
            }
        }
        let in_out = resolved(&job.cut).parent() == Some(out.as_path());
        if in_out && is_ours(&job.cut) && !self.replace_cut {
            faults.push(BadInput::new(
                job.cut.display().to_string(),
                "",
                "the annotated timeline would replace the cut itself",
                "choose another output folder, or add --force to replace it",
            ));
        }
        if faults.is_empty() { Ok(()) } else { Err(Faults(faults)) }
    }
}

fn is_ours(cut: &Path) -> bool {
    let ours = ["annotated", "annotated_zero", "temp_cut", "temp_cut_zero"];
    cut.file_stem().is_some_and(|stem| ours.iter().any(|name| stem == *name))
}

/// Returns the path with links resolved as far as it exists.
fn resolved(path: &Path) -> PathBuf {
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf());
    let mut missing = Vec::new();
    let mut at = absolute.as_path();
    loop {
        if let Ok(real) = at.canonicalize() {
            return missing.iter().rev().fold(real, |path, part| path.join(part));
        }
        match (at.parent(), at.file_name()) {
            (Some(parent), Some(name)) => {
                missing.push(name.to_os_string());
                at = parent;
            }
            _ => return absolute.clone(),
        }
    }
}

/// Renders what the findings ask for and fills the output folder.
///
/// Shots that cannot be rendered become faults; all others are still handed back.
///
/// # Errors
///
/// An output folder that cannot be written, or a file without a timeline to annotate.
pub fn hand_back(
    review: &mut Review,
    job: &Job,
    options: &HandBack,
    progress: &mut dyn Progress,
) -> Result<(), Faults> {
    if !review.cut.is_timeline {
        return Err(Faults::one(
            &review.cut.file,
            "",
            "holds no Timeline, so there is nothing to annotate",
            "export the cut as a timeline; check reads the file as it is",
        ));
    }
    if options.out.is_file() {
        return Err(Faults::one(
            options.out.display().to_string(),
            "",
            "this is a file, and what comes back needs a folder",
            "give -o the name of a folder; it is made if it is not there",
        ));
    }
    std::fs::create_dir_all(&options.out).map_err(|io| {
        Faults::one(
            options.out.display().to_string(),
            "",
            format!("the output folder cannot be made: {io}"),
            "give -o a folder that can be written, or the name of a new one",
        )
    })?;
    sweep(&options.out, OWN_PARTS);
    sweep(&options.out.join(RECEIPTS), OWN_PARTS);
    for folder in [PLATES, MATTES, TEMP, REVIEW, PREVIEW] {
        sweep(&options.out.join(folder), ".");
    }
    let laid = if job.picture {
        render_plates(review, job, &options.out, progress)
    } else {
        vec![Rendered::default(); review.subjects.len()]
    };
    let annotated = write_timeline(review, &laid, options)?;
    let temp = if options.with_temp { Some(write_temp_cut(review, &laid, options)?) } else { None };
    if options.zero_based {
        let mut marked = Document::parse("annotated_zero", annotated)?;
        rebased(&mut marked, &review.cut, options);
        write_zero_based(review, ("annotated_zero", marked), &[], options)?;
        if let Some(temp) = temp {
            let temp = Document::parse("temp_cut_zero", temp)?;
            write_zero_based(review, ("temp_cut_zero", temp), &laid, options)?;
        }
    }
    let looks = if job.picture { looks(review, &options.out, progress) } else { Vec::new() };
    report::write_all(&review.findings, &looks, &options.out)?;
    let log = crate::platelog::write_json(&review.records);
    put_whole(&options.out.join(MERGED_LOG), log.as_bytes()).map_err(|io| {
        Faults::one(MERGED_LOG, "", format!("cannot be written: {io}"), "check the output folder")
    })?;
    Ok(())
}

/// Writes the annotated timeline in the kind of file the cut came in.
///
/// A use that cannot be marked becomes a fault; the others are still marked. Returns what was
/// written.
fn write_timeline(
    review: &mut Review,
    laid: &[Rendered],
    options: &HandBack,
) -> Result<Vec<u8>, Faults> {
    let cut = &review.cut;
    let marked: Vec<Marked<'_>> = review
        .findings
        .uses
        .iter()
        .zip(&cut.uses)
        .zip(laid)
        .map(|((finding, used), laid)| Marked { finding, used, plate: laid.plate.clone() })
        .collect();
    let name = file_name("annotated", cut.kind());
    let annotation = annotation(cut, options);
    let mut document = cut.document.clone();
    let faults = annotate(&mut document, &cut.timeline_pointer, cut.rate, &marked, &annotation);
    let bytes = document.write();
    cut.bundle.write(&bytes, &options.out.join(&name))?;
    if let Err(faults) = faults {
        review.findings.faults.extend(faults.0);
    }
    Ok(bytes)
}

/// Writes a timeline once more with media that begin at zero. Clips that keep their times are
/// said; `laid` are the temp comps in it, which begin where their reference says.
fn write_zero_based(
    review: &mut Review,
    (stem, mut document): (&str, Document),
    laid: &[Rendered],
    options: &HandBack,
) -> Result<(), Faults> {
    let cut = &review.cut;
    let swapped: BTreeSet<&str> = cut
        .uses
        .iter()
        .zip(laid)
        .filter_map(|(used, laid)| laid.temp.as_ref().map(|_| used.pointer.as_str()))
        .collect();
    let own = |used: &Use| !swapped.contains(used.pointer.as_str());
    let uses = cut.uses.iter().zip(&review.subjects).filter(|(used, _)| own(used));
    let begins = uses.filter_map(|(used, subject)| {
        let clocks = subject.clocks.as_ref()?;
        let begin = clocks.clip_time(clocks.file_start?);
        let rate = fraction(used.clip_rate.num().into(), used.clip_rate.den().into());
        Some((used.pointer.as_str(), begin / rate))
    });
    let name = file_name(stem, cut.kind());
    let kept = zero_based(&mut document, &cut.document, &cut.timeline_pointer, &begins.collect())?;
    cut.bundle.write(&document.write(), &options.out.join(&name))?;
    if !kept.is_empty() {
        review.proposals.push(format!(
            "{name}: {} clips keep their times, for neither timeline nor media say where these begin: {}",
            kept.len(),
            kept.join(", ")
        ));
    }
    Ok(())
}

/// Lets relative media addresses of the cut start at the output folder. The annotated timeline
/// gives the cut back byte for byte and therefore keeps them.
fn rebased(document: &mut Document, cut: &Cut, options: &HandBack) {
    if cut.kind() != BundleKind::Plain {
        return;
    }
    if let Some(folder) = cut.bundle.base() {
        let here = if folder == Path::new("") { Path::new(".") } else { folder };
        let is_there = |url: &str| match cut.bundle.resolve(url) {
            Some(MediaPlace::File(path)) => path.exists(),
            _ => false,
        };
        rebase_media(document, &resolved(here), &resolved(&options.out), is_there);
    }
}

/// Names a timeline of the kind the cut came in.
fn file_name(stem: &str, kind: BundleKind) -> String {
    let ending = match kind {
        BundleKind::Plain => "otio",
        BundleKind::Zip => "otioz",
        BundleKind::Folder => "otiod",
    };
    format!("{stem}.{ending}")
}

fn annotation(cut: &Cut, options: &HandBack) -> Options {
    Options {
        markers: options.markers,
        plates: options.plates,
        file: cut.file.clone(),
        // Inside a bundle a relative URL means media in it, and plates are not.
        folder: (cut.kind() == BundleKind::Plain).then(|| resolved(&options.out)),
    }
}

/// Writes the cut itself with temp comps in place of the takes they patch, and returns what was
/// written.
fn write_temp_cut(
    review: &mut Review,
    laid: &[Rendered],
    options: &HandBack,
) -> Result<Vec<u8>, Faults> {
    let cut = &review.cut;
    let swaps: Vec<Swap<'_>> = cut
        .uses
        .iter()
        .zip(laid)
        .filter_map(|(used, laid)| {
            let (media, in_clip) = laid.temp.clone()?;
            Some(Swap { used, media, in_clip })
        })
        .collect();
    let mut document = cut.document.clone();
    rebased(&mut document, cut, options);
    if document.is_edited() {
        document = Document::parse(&cut.file, document.write())?;
    }
    let annotation = annotation(cut, options);
    let faults = swap_media(&mut document, &cut.timeline_pointer, cut.rate, &swaps, &annotation);
    let bytes = document.write();
    cut.bundle.write(&bytes, &options.out.join(file_name("temp_cut", cut.kind())))?;
    if let Err(faults) = faults {
        review.findings.faults.extend(faults.0);
    }
    Ok(bytes)
}
