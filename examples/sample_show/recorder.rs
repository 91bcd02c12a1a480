//! The recorder's files of the sample show: silence with the marks a mixer makes.
//!
//! Layouts: EBU Tech 3285 (`bext`), iXML specification, Microsoft and IBM, Multimedia
//! Programming Interface 1.0 (`cue `, `adtl`).

use crate::script::sound_report::{RENDERED, SoundTake};
use std::path::Path;

const SAMPLE_RATE: u32 = 48_000;

/// Writes the files into a folder; kept if they are already whole.
///
/// # Errors
///
/// Says which file could not be written.
pub fn write(folder: &Path) -> Result<(), String> {
    for take in &RENDERED {
        let (target, bytes) = (folder.join(take.file), wave(take));
        if target.metadata().is_ok_and(|file| file.len() == bytes.len() as u64) {
            continue;
        }
        let partial = folder.join(format!("partial-{}", take.file));
        let written =
            std::fs::write(&partial, bytes).and_then(|()| std::fs::rename(&partial, &target));
        written.map_err(|io| format!("{}: {io}", target.display()))?;
    }
    Ok(())
}

fn wave(take: &SoundTake) -> Vec<u8> {
    let rate = SAMPLE_RATE.to_le_bytes();
    let second = (SAMPLE_RATE * 2).to_le_bytes();
    let format = [&[1, 0, 1, 0][..], &rate, &second, &[2, 0, 16, 0]].concat();
    let samples = vec![0; (take.seconds * SAMPLE_RATE * 2) as usize];
    let mut body = [chunk(b"bext", &bext(take)), chunk(b"fmt ", &format)].concat();
    body.extend(chunk(b"data", &samples));
    body.extend(chunk(b"iXML", ixml(take).as_bytes()));
    if let Some([first, seconds]) = take.mark {
        body.extend(chunk(b"cue ", &cue(first * SAMPLE_RATE)));
        body.extend(chunk(b"LIST", &region(seconds * SAMPLE_RATE)));
    }
    [b"RIFF", &(body.len() as u32 + 4).to_le_bytes()[..], b"WAVE", &body].concat()
}

fn bext(take: &SoundTake) -> Vec<u8> {
    let [hours, minutes, seconds, frames] = take.start;
    let at = (hours * 60 + minutes) * 60 + seconds;
    let since_midnight = u64::from(at) * u64::from(SAMPLE_RATE) + u64::from(frames * 2_000);
    let mut chunk = vec![0; 602];
    chunk[256..264].copy_from_slice(b"recorder");
    chunk[320..330].copy_from_slice(b"2031-05-14");
    let clock = format!("{hours:02}:{minutes:02}:{seconds:02}");
    chunk[330..338].copy_from_slice(clock.as_bytes());
    chunk[338..346].copy_from_slice(&since_midnight.to_le_bytes());
    chunk[346] = 1;
    chunk
}

fn ixml(take: &SoundTake) -> String {
    let SoundTake { slate, take, note, .. } = take;
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?><BWFXML><IXML_VERSION>1.52</IXML_VERSION>\
         <SCENE>{slate}</SCENE><TAKE>{take}</TAKE><TAPE>S01</TAPE><NOTE>{note}</NOTE><SPEED>\
         <TIMECODE_RATE>24/1</TIMECODE_RATE><TIMECODE_FLAG>NDF</TIMECODE_FLAG></SPEED></BWFXML>"
    )
}

/// One cue point at a sample.
fn cue(at: u32) -> Vec<u8> {
    let words = [1_u32, 1, 0, u32::from_le_bytes(*b"data"), 0, 0, at];
    words.iter().flat_map(|word| word.to_le_bytes()).collect()
}

/// Makes the cue point a region called plate.
fn region(samples: u32) -> Vec<u8> {
    let head = [&1_u32.to_le_bytes()[..], &samples.to_le_bytes(), b"rgn ", &[0; 8]].concat();
    [b"adtl", &chunk(b"ltxt", &[&head[..], b"plate\0"].concat())[..]].concat()
}

fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let pad = vec![0; body.len() % 2];
    [id.as_slice(), &(body.len() as u32).to_le_bytes(), body, &pad].concat()
}
