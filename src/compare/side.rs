//! One side of a comparison: a cut, or the folder of a turnover.

use super::End;
use crate::error::Faults;
use crate::findings::Findings;
use crate::review::{earlier_findings, stripped};
use crate::settings::Settings;
use crate::time::{Exact, FrameRange, exact_text};
use crate::timeline::{Cut, ReadOptions, ReferenceKind, Speed, Use, read_cut};
use std::collections::BTreeMap;
use std::path::Path;

/// A cut with what a turnover made of it, if it is one.
#[derive(Debug)]
pub struct Side {
    /// The cut's name.
    pub name: String,
    /// Its uses, in order.
    pub uses: Vec<Shown>,
}

/// What one use shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Shown {
    /// The shot's name.
    pub shot: String,
    /// The clip's name.
    pub clip: String,
    /// JSON pointer of the clip.
    pub pointer: String,
    /// By what its media are told: the file's name without its ending, else the clip's name.
    pub media: String,
    /// Its frames in the cut.
    pub range_in_cut: FrameRange,
    /// Exact media interval, clip clock.
    pub span: Option<(Exact, Exact)>,
    /// The frames it shows, clip clock.
    pub used: Option<FrameRange>,
    /// These with handles, clip clock: what is rendered.
    pub need: Option<FrameRange>,
    /// Its speed as a fraction.
    pub speed: Option<String>,
    /// The verdict it had.
    pub verdict: Option<String>,
    /// The plate that was rendered for it.
    pub plate: Option<String>,
    /// Hash of all that decided what is in that plate.
    pub render_id: Option<String>,
}

impl Shown {
    pub(super) fn end(&self) -> End {
        End {
            pointer: self.pointer.clone(),
            range_in_cut: self.range_in_cut,
            used_in_clip: self.used,
            speed: self.speed.clone(),
        }
    }
}

impl Side {
    /// Reads a cut, or the folder that `turnover` filled.
    ///
    /// # Errors
    ///
    /// A timeline that cannot be read; a folder that holds no turnover.
    pub fn read(path: &Path, settings: &Settings) -> Result<Side, Faults> {
        let is_bundle = path.extension().is_some_and(|ending| ending == "otiod");
        if !path.is_dir() || is_bundle {
            let cut = read_cut(path, &ReadOptions::default())?;
            return Ok(Side::of(&cut, settings, None));
        }
        let findings = earlier_findings(path)?;
        let scratch = tempfile::tempdir()
            .map_err(|io| Faults::one("temporary folder", "", io.to_string(), "free some disk"))?;
        let options = ReadOptions {
            cut_rate: Some(findings.cut.rate),
            reverse_anchor: findings.settings.reverse_anchor,
            ..ReadOptions::default()
        };
        let cut = read_cut(&stripped(path, scratch.path())?, &options)?;
        Ok(Side::of(&cut, &findings.settings, Some(&findings)))
    }

    /// Takes the uses of a cut, with what was found of each.
    pub fn of(cut: &Cut, settings: &Settings, findings: Option<&Findings>) -> Side {
        let found: BTreeMap<&str, usize> = findings
            .iter()
            .flat_map(|findings| findings.uses.iter().enumerate())
            .map(|(at, found)| (found.pointer.as_str(), at))
            .collect();
        let shown = |used: &Use| {
            let at = found.get(used.pointer.as_str()).copied();
            let found = at.and_then(|at| findings?.uses.get(at));
            let plate = found.and_then(|found| found.plate.as_ref());
            let own = used.shot_name.clone().unwrap_or_else(|| used.clip.clone());
            Shown {
                shot: found.map_or(own, |found| found.shot.clone()),
                clip: used.clip.clone(),
                pointer: used.pointer.clone(),
                media: media_name(used),
                range_in_cut: used.range_in_cut,
                span: used.media_span.clone(),
                used: used.used_in_clip,
                need: used.need_in_clip(settings.handles_head, settings.handles_tail, cut.rate),
                speed: match &used.speed {
                    Speed::Constant(speed) => Some(exact_text(speed)),
                    Speed::Freeze => Some("0".into()),
                    Speed::Unknown(_) => None,
                },
                verdict: found.map(|found| found.verdict.word().to_string()),
                plate: plate.and_then(|plate| plate.file.clone()),
                render_id: plate.and_then(|plate| plate.render_id.clone()),
            }
        };
        Side { name: cut.name.clone(), uses: cut.uses.iter().map(shown).collect() }
    }
}

/// By what the media of a use are told from others: hosts rewrite folders, not file names.
fn media_name(used: &Use) -> String {
    let file = used.references.first().and_then(|reference| match &reference.kind {
        ReferenceKind::External { url } => Some(url.as_str()),
        ReferenceKind::Sequence { prefix, base, .. } => {
            Some(if prefix.is_empty() { base } else { prefix })
        }
        _ => None,
    });
    let file = file.map(|url| {
        let last = url.trim_end_matches('/').rsplit(['/', '\\']).next().unwrap_or_default();
        last.rsplit_once('.').map_or(last, |(stem, _)| stem)
    });
    let name = file.filter(|name| !name.is_empty()).unwrap_or(&used.clip);
    percent_encoding::percent_decode_str(name).decode_utf8_lossy().into_owned()
}
