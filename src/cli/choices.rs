//! Words of the command line that choose among ways, as typed.

use crate::annotate::{MarkerPlaces, PlateClips};
use crate::settings::{EdlReels, ReverseAnchor, Turns};
use clap::ValueEnum;

/// Reel names, as typed.
#[derive(Debug, Clone, Copy, ValueEnum)]
#[allow(missing_docs, reason = "words of the setting")]
pub enum EdlChoice {
    Full,
    Strict,
}

impl From<EdlChoice> for EdlReels {
    fn from(choice: EdlChoice) -> EdlReels {
        match choice {
            EdlChoice::Full => EdlReels::Full,
            EdlChoice::Strict => EdlReels::Strict,
        }
    }
}

/// `--turns` as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
#[allow(missing_docs, reason = "see `Turns`")]
pub enum TurnsChoice {
    Auto,
    Once,
    Twice,
    Eased,
}

impl From<TurnsChoice> for Turns {
    fn from(choice: TurnsChoice) -> Turns {
        match choice {
            TurnsChoice::Auto => Turns::Auto,
            TurnsChoice::Once => Turns::Once,
            TurnsChoice::Twice => Turns::Twice,
            TurnsChoice::Eased => Turns::Eased,
        }
    }
}

/// `--reverse-anchor` as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
#[allow(missing_docs, reason = "see `ReverseAnchor`")]
pub enum AnchorChoice {
    Start,
    End,
}

impl From<AnchorChoice> for ReverseAnchor {
    fn from(choice: AnchorChoice) -> ReverseAnchor {
        match choice {
            AnchorChoice::Start => ReverseAnchor::Start,
            AnchorChoice::End => ReverseAnchor::End,
        }
    }
}

/// `--markers` as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
#[allow(missing_docs, reason = "see `MarkerPlaces`")]
pub enum MarkersChoice {
    Both,
    Clip,
    Cut,
}

impl From<MarkersChoice> for MarkerPlaces {
    fn from(choice: MarkersChoice) -> MarkerPlaces {
        match choice {
            MarkersChoice::Both => MarkerPlaces::Both,
            MarkersChoice::Clip => MarkerPlaces::Clip,
            MarkersChoice::Cut => MarkerPlaces::Cut,
        }
    }
}

/// `--plates` as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
#[allow(missing_docs, reason = "see `PlateClips`")]
pub enum PlatesChoice {
    Disabled,
    Enabled,
    Below,
    None,
}

impl From<PlatesChoice> for PlateClips {
    fn from(choice: PlatesChoice) -> PlateClips {
        match choice {
            PlatesChoice::Disabled => PlateClips::Disabled,
            PlatesChoice::Enabled => PlateClips::Enabled,
            PlatesChoice::Below => PlateClips::Below,
            PlatesChoice::None => PlateClips::None,
        }
    }
}

/// Reads handles: `N` for both sides, or `N:M`.
pub(super) fn handles(text: &str) -> Result<(u32, u32), String> {
    let number = |part: &str| {
        part.parse::<u32>()
            .ok()
            .filter(|frames| *frames <= 10_000)
            .ok_or_else(|| format!("\"{part}\" is not a number of frames from 0 to 10000"))
    };
    match text.split_once(':') {
        Some((head, tail)) => Ok((number(head)?, number(tail)?)),
        None => number(text).map(|both| (both, both)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn handles_are_one_number_or_two() {
        assert_eq!(handles("8"), Ok((8, 8)));
        assert_eq!(handles("12:16"), Ok((12, 16)));
        assert!(handles("-1").is_err() && handles("a:b").is_err() && handles("99999").is_err());
    }
}
