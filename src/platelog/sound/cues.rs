//! Cue points and what is written to them: `cue ` and the lists of type `adtl`.
//!
//! Source: Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0
//! (1991).

use super::riff::{Chunk, word};
use super::text;

/// Points and notes read at most; ours.
const MOST: usize = 20_000;

/// One cue point.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Cue {
    /// Its name: a number that notes refer to.
    pub name: u32,
    /// Samples from the file's first.
    pub at: u64,
    /// Length in samples; 0 for a point.
    pub length: u64,
    /// Label, note and text of the region, one after the other.
    pub text: String,
    /// Whether a label of its own says more than a number.
    pub labelled: bool,
}

/// Reads cue points in the order of their samples. Where a point stands says `sampleOffset`:
/// recorders leave the position at zero.
pub fn read(cues: Option<&Chunk>, lists: &[Chunk]) -> Vec<Cue> {
    let Some(chunk) = cues else { return Vec::new() };
    let count = word(&chunk.bytes, 0).unwrap_or(0) as usize;
    let points = chunk.bytes.get(4..).unwrap_or_default().chunks_exact(24);
    let mut found: Vec<Cue> = Vec::new();
    for point in points.take(count.min(MOST)) {
        if let (Some(name), Some(at)) = (word(point, 0), word(point, 20)) {
            found.push(Cue { name, at: u64::from(at), ..Cue::default() });
        }
    }
    found.sort_by_key(|cue| (cue.name, cue.at));
    lists.iter().for_each(|list| annotate(&list.bytes, &mut found));
    found.sort_by_key(|cue| (cue.at, cue.name));
    found
}

/// Adds what one list says. Lists inside lists have no meaning here and are passed over.
fn annotate(list: &[u8], cues: &mut [Cue]) {
    let mut at = 0;
    for _ in 0..MOST {
        let (Some(id), Some(size)) = (list.get(at..at + 4), word(list, at + 4)) else { return };
        let body = list.get(at + 8..).unwrap_or_default();
        let size = (size as usize).min(body.len());
        let body = body.get(..size).unwrap_or_default();
        if let Some(name) = word(body, 0) {
            let first = cues.partition_point(|cue| cue.name < name);
            if let Some(cue) = cues.get_mut(first).filter(|cue| cue.name == name) {
                note(cue, id, body);
            }
        }
        at = at.saturating_add(8).saturating_add(size).saturating_add(size % 2);
    }
}

fn note(cue: &mut Cue, id: &[u8], body: &[u8]) {
    let said = |from: usize| {
        let bytes = body.get(from..).unwrap_or_default();
        let end = bytes.iter().position(|byte| *byte == 0).unwrap_or(bytes.len());
        text::plain(bytes.get(..end).unwrap_or_default()).trim().to_string()
    };
    let said = match id.to_ascii_lowercase().as_slice() {
        b"labl" | b"note" => said(4),
        b"ltxt" => {
            cue.length = cue.length.max(u64::from(word(body, 4).unwrap_or(0)));
            // The texts of regions have a code page of their own; the usual letters do.
            said(20)
        }
        _ => return,
    };
    if said.is_empty() || cue.text.len() + said.len() > 64 << 10 {
        return;
    }
    cue.labelled |= said.chars().any(char::is_alphabetic);
    if !cue.text.is_empty() {
        cue.text.push(' ');
    }
    cue.text.push_str(&said);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chunk(bytes: Vec<u8>) -> Chunk {
        Chunk { at: 0, bytes }
    }

    fn cue(points: &[(u32, u32)]) -> Chunk {
        let mut bytes = (points.len() as u32).to_le_bytes().to_vec();
        for (name, at) in points {
            bytes.extend(name.to_le_bytes());
            // The position is left at zero, as a real recorder does.
            bytes.extend([0; 4]);
            bytes.extend(b"data\0\0\0\0\0\0\0\0");
            bytes.extend(at.to_le_bytes());
        }
        chunk(bytes)
    }

    fn sub(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
        let size = (body.len() as u32).to_le_bytes();
        let pad = vec![0; body.len() % 2];
        [id.as_slice(), &size, body, &pad].concat()
    }

    #[test]
    fn labels_notes_and_regions_are_found_by_name() {
        let ltxt = [7u32.to_le_bytes(), 96000u32.to_le_bytes()].concat();
        let ltxt = [ltxt.as_slice(), b"rgn \0\0\0\0\0\0\0\0PLATE HEAD\0"].concat();
        let list = [
            sub(b"labl", &[2u32.to_le_bytes().as_slice(), b"02\0"].concat()),
            sub(b"note", &[7u32.to_le_bytes().as_slice(), b"boom out\0"].concat()),
            sub(b"ltxt", &ltxt),
            sub(b"labl", &[99u32.to_le_bytes().as_slice(), b"whose?\0"].concat()),
        ]
        .concat();
        let found = read(Some(&cue(&[(7, 240_000), (2, 29_616)])), &[chunk(list)]);
        assert_eq!(found.iter().map(|cue| cue.at).collect::<Vec<_>>(), [29_616, 240_000]);
        assert_eq!((found[0].text.as_str(), found[0].labelled), ("02", false));
        assert_eq!((found[1].text.as_str(), found[1].length), ("boom out PLATE HEAD", 96_000));
    }

    #[test]
    fn lists_inside_lists_and_counts_that_lie_cost_nothing() {
        let mut nested = Vec::new();
        for _ in 0..1000 {
            nested = [b"LIST".as_slice(), &(nested.len() as u32).to_le_bytes(), &nested].concat();
        }
        let mut lies = cue(&[(1, 10)]);
        lies.bytes[..4].copy_from_slice(&u32::MAX.to_le_bytes());
        assert_eq!(read(Some(&lies), &[chunk(nested)]).len(), 1);
        assert!(read(None, &[]).is_empty());
    }
}
