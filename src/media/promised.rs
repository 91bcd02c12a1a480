//! How many bytes a file promises in its own headers: a file that was cut short otherwise
//! opens as a shorter one.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

/// Most RIFF chunks followed in one AVI file; each holds up to 2 GB.
const MOST_RIFFS: usize = 100_000;

/// Returns the byte after the last one a Matroska, MXF or AVI file promises; `None` if it
/// promises nothing or is another kind of file.
pub(super) fn promised_bytes(path: &Path) -> Option<u64> {
    let mut file = File::open(path).ok()?;
    let mut head = Vec::new();
    (&mut file).take(4096).read_to_end(&mut head).ok()?;
    if head.starts_with(b"RIFF") { riff(&mut file) } else { matroska(&head).or_else(|| mxf(&head)) }
}

/// Follows the RIFF chunks of an AVI file to the end of the last.
fn riff(file: &mut File) -> Option<u64> {
    let mut end = 0_u64;
    for _ in 0..MOST_RIFFS {
        let mut head = [0; 8];
        file.seek(SeekFrom::Start(end)).ok()?;
        if file.read_exact(&mut head).is_err() || !head.starts_with(b"RIFF") {
            break;
        }
        let size = u32::from_le_bytes([head[4], head[5], head[6], head[7]]);
        // A recorder that stopped without finishing leaves the size empty.
        if size == 0 || size == u32::MAX {
            return None;
        }
        end = end.checked_add(8 + u64::from(size) + u64::from(size & 1))?;
    }
    (end > 0).then_some(end)
}

/// Reads where the footer of an MXF file begins from its first partition pack (SMPTE
/// ST 377-1, 7.1; from memory): after key and length two versions of two bytes, KAG size
/// of four, this and previous partition of eight, then the footer.
fn mxf(head: &[u8]) -> Option<u64> {
    const PARTITION: [u8; 13] =
        [0x06, 0x0e, 0x2b, 0x34, 0x02, 0x05, 0x01, 0x01, 0x0d, 0x01, 0x02, 0x01, 0x01];
    let at = head.windows(13).position(|key| key == PARTITION)?;
    let length = *head.get(at + 16)?;
    let value = at + 17 + if length >= 0x80 { usize::from(length & 0x7f) } else { 0 };
    let footer: [u8; 8] = head.get(value + 24..value + 32)?.try_into().ok()?;
    let footer = u64::from_be_bytes(footer);
    (footer > 0).then(|| footer.saturating_add(1))
}

/// Returns the byte after the segment, if the file is Matroska and says how long it is
/// (RFC 8794, RFC 9559).
fn matroska(head: &[u8]) -> Option<u64> {
    const EBML: u64 = 0x1A45_DFA3;
    const SEGMENT: u64 = 0x1853_8067;
    let mut at = 0;
    let mut first = true;
    loop {
        let (id, id_length) = number(head, at, true)?;
        let (size, size_length) = number(head, at + id_length, false)?;
        let body = at + id_length + size_length;
        if first && id != EBML {
            return None;
        }
        first = false;
        // All value bits set: the length is unknown, as in a live recording.
        if size == (1 << (7 * size_length)) - 1 {
            return None;
        }
        let end = (body as u64).checked_add(size)?;
        if id == SEGMENT {
            return Some(end);
        }
        at = usize::try_from(end).ok()?;
    }
}

/// Reads a variable-length number; an element's id keeps its length mark.
fn number(bytes: &[u8], at: usize, keep_mark: bool) -> Option<(u64, usize)> {
    let first = *bytes.get(at)?;
    let length = first.leading_zeros() as usize + 1;
    if length > 8 {
        return None;
    }
    let mut value = u64::from(first);
    if !keep_mark {
        value &= (1 << (8 - length)) - 1;
    }
    for byte in bytes.get(at + 1..at + length)? {
        value = value << 8 | u64::from(*byte);
    }
    Some((value, length))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_segment_says_where_the_file_ends() {
        // Numbers after RFC 8794, section 4: 0x82 is 2, 0x40 0x10 is 16.
        let mut file = vec![0x1a, 0x45, 0xdf, 0xa3, 0x82, 0, 0];
        file.extend([0x18, 0x53, 0x80, 0x67, 0x40, 0x10]);
        assert_eq!(matroska(&file), Some(7 + 6 + 16));
        let unknown = [&file[..11], &[0x01, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff]].concat();
        assert_eq!(matroska(&unknown), None);
        assert_eq!(matroska(&[0xff; 64]), None);
        assert_eq!(matroska(&file[..9]), None);
    }
}
