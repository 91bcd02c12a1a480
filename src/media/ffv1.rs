//! Checksums of FFV1 slices. The decoder of FFmpeg 5.1 only logs a wrong one and fills the
//! slice from the frame before, so damage would pass as picture.

use super::ffi;

/// Size, error status and checksum at the end of a slice (RFC 9043, 4.9).
const TRAILER: usize = 8;

/// Tells whether a packet is made of slices with checksums that are all right.
///
/// A stream without checksums (RFC 9043, 4.2.15: `ec` is 0) never is: ask its first packet
/// whether there is anything to check.
pub(super) fn is_whole(packet: &[u8]) -> bool {
    let mut end = packet.len();
    while end > 0 {
        let Some(trailer) = end.checked_sub(TRAILER) else { return false };
        let size = packet[trailer..trailer + 3]
            .iter()
            .fold(0_usize, |size, byte| size << 8 | usize::from(*byte));
        let Some(start) = trailer.checked_sub(size) else { return false };
        // The checksum over a slice and its own checksum is 0.
        if ffi::crc32(&packet[start..end]) != 0 {
            return false;
        }
        end = start;
    }
    !packet.is_empty()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slice(body: &[u8]) -> Vec<u8> {
        let mut bytes = [body, &(body.len() as u32).to_be_bytes()[1..], &[0]].concat();
        // Plain reading of RFC 9043, 4.9.3: x^32+x^26+...+1, from 0, highest bit first.
        let mut crc = 0_u32;
        for byte in &bytes {
            crc ^= u32::from(*byte) << 24;
            for _ in 0..8 {
                crc = if crc >> 31 == 1 { crc << 1 ^ 0x04c1_1db7 } else { crc << 1 };
            }
        }
        bytes.extend(crc.to_be_bytes());
        bytes
    }

    #[test]
    fn one_changed_bit_anywhere_is_noticed() {
        let packet = [slice(b"first slice"), slice(b"another one")].concat();
        assert!(is_whole(&packet));
        for at in 0..packet.len() {
            let mut damaged = packet.clone();
            damaged[at] ^= 4;
            assert!(!is_whole(&damaged), "byte {at}");
        }
        assert!(!is_whole(b""));
        assert!(!is_whole(&packet[1..]));
    }
}
