//! How many bytes a Matroska file promises (RFC 8794, RFC 9559): a file that was cut short
//! otherwise opens as a shorter one.

use std::io::Read;
use std::path::Path;

/// Returns the byte after the segment, if the file is Matroska and says how long it is.
pub(super) fn promised_bytes(path: &Path) -> Option<u64> {
    let mut head = Vec::new();
    std::fs::File::open(path).ok()?.take(4096).read_to_end(&mut head).ok()?;
    promised(&head)
}

fn promised(head: &[u8]) -> Option<u64> {
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
        assert_eq!(promised(&file), Some(7 + 6 + 16));
        let unknown = [&file[..11], &[0x01, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff]].concat();
        assert_eq!(promised(&unknown), None);
        assert_eq!(promised(&[0xff; 64]), None);
        assert_eq!(promised(&file[..9]), None);
    }
}
