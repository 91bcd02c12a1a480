//! Shot names: from a marker or metadata, else clip name and timecode; safe and unique.

use crate::plate::{Names, sanitised};

/// The longest name, in letters; file systems stop at 255 with endings and versions.
const LONGEST: usize = 120;

/// What a shot name can be made from.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct NameSource {
    /// The name an earlier list of shots has for it.
    pub kept: Option<String>,
    /// The name given by a marker or metadata.
    pub given: Option<String>,
    /// The clip's name.
    pub clip: String,
    /// Label of need's first frame, or where in the cut it is.
    pub at: String,
}

/// Names every use, in order; no two names are the same, not even in upper and lower case.
///
/// Letters outside `[A-Za-z0-9._-]` become `_`; a second use of a name gets `_2`. Names of
/// an earlier list go first, then given ones, so that a made-up one never takes them away.
///
/// ```
/// # use platesmith::review::{NameSource, shot_names};
/// let named = |given: &str| NameSource { given: Some(given.into()), ..Default::default() };
/// let clip = NameSource { clip: "Küche A".into(), at: "10:00:01:00".into(), ..Default::default() };
/// assert_eq!(
///     shot_names(&[named("QR_010"), named("qr_010"), clip]),
///     ["QR_010", "qr_010_2", "K_che_A_10_00_01_00"]
/// );
/// ```
pub fn shot_names(sources: &[NameSource]) -> Vec<String> {
    let mut taken = Names::default();
    let mut names = vec![String::new(); sources.len()];
    for turn in 0..3 {
        for (at, source) in sources.iter().enumerate() {
            let due = match (&source.kept, &source.given) {
                (Some(_), _) => 0,
                (None, Some(_)) => 1,
                (None, None) => 2,
            };
            if due == turn {
                names[at] = taken.give(&wanted(source));
            }
        }
    }
    names
}

fn wanted(source: &NameSource) -> String {
    let text = match source.kept.as_ref().or(source.given.as_ref()) {
        Some(given) => given.trim().to_string(),
        None if source.clip.trim().is_empty() => format!("shot_{}", source.at),
        None => format!("{}_{}", source.clip.trim(), source.at),
    };
    let name: String = sanitised(&text).chars().take(LONGEST).collect();
    // A leading hyphen reads as an option on a command line.
    name.strip_prefix('-').map(|rest| format!("_{rest}")).unwrap_or(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_made_up_name_never_takes_a_given_one() {
        let made = NameSource { clip: "A".into(), at: "1".into(), ..NameSource::default() };
        let given = NameSource { given: Some("A_1".into()), ..NameSource::default() };
        assert_eq!(shot_names(&[made, given]), ["A_1_2", "A_1"]);
    }

    #[test]
    fn a_kept_name_goes_before_a_given_one() {
        let given = NameSource { given: Some("A".into()), ..NameSource::default() };
        let kept = NameSource { kept: Some("A".into()), given: Some("B".into()), ..given.clone() };
        assert_eq!(shot_names(&[given, kept]), ["A_2", "A"]);
    }

    #[test]
    fn names_stay_inside_their_folder() {
        let named = |given: &str| NameSource { given: Some(given.into()), ..NameSource::default() };
        assert_eq!(
            shot_names(&[named("../../etc"), named("-rf"), named("")]),
            ["_._.._etc", "_rf", "_"]
        );
    }
}
