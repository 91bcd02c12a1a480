//! Rate, timecode and reel from the headers of DPX and EXR files. The decoders pass none
//! of it on.

use super::images::{Run, head_of};
use super::info::StartTimecode;
use crate::time::{Counting, Frame, Rate};

/// Bytes read of a file for its header; an EXR header holds no more in practice.
pub(super) const HEAD: u64 = 1 << 16;

/// What the header of one image file says.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Header {
    /// Frame rate, if a usable one stands there.
    pub rate: Option<Rate>,
    /// Timecode, if the field is filled.
    pub label: Option<Label>,
    /// Reel name.
    pub reel: Option<String>,
}

/// A timecode in binary-coded decimals as SMPTE ST 12-1 packs it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Label {
    /// Hours, minutes, seconds, frames, two decimal digits a byte, flags masked off.
    bcd: [u8; 4],
    /// The drop-frame flag.
    drop: bool,
}

impl Label {
    fn text(self) -> String {
        let [h, m, s, f] = self.bcd;
        format!("{h:02x}:{m:02x}:{s:02x}:{f:02x}")
    }

    fn start(self, rate: Rate) -> Result<StartTimecode, String> {
        let counting = Counting::new(rate, self.drop);
        match counting.frame(&self.text()) {
            Ok(frame) => Ok(StartTimecode { frame, counting }),
            Err(fault) => Err(format!(
                "header timecode \"{}\" at {rate} frames a second is not one: {fault}",
                self.text()
            )),
        }
    }
}

/// Reads a header; nothing is said of files that are neither DPX nor EXR.
pub(super) fn read(head: &[u8]) -> Header {
    match head.get(..4) {
        Some(b"SDPX") => dpx(head, u32::from_be_bytes),
        Some(b"XPDS") => dpx(head, u32::from_le_bytes),
        Some(b"\x76\x2f\x31\x01") => exr(head),
        _ => Header::default(),
    }
}

/// Reads a DPX header (SMPTE ST 268-1, offsets from memory): television timecode at 1920,
/// television rate at 1940, film rate at 1724. All bits set means "not filled". The image
/// may begin at 1664, right after the generic header: then there are no such fields.
fn dpx(head: &[u8], number: fn([u8; 4]) -> u32) -> Header {
    let read = |at: usize| -> Option<u32> { Some(number(head.get(at..at + 4)?.try_into().ok()?)) };
    let image = read(4).and_then(|offset| usize::try_from(offset).ok()).unwrap_or(0);
    let field = |at: usize| -> Option<u32> {
        read(at).filter(|value| at + 4 <= image && *value != u32::MAX)
    };
    let rate = |at: usize| -> Option<Rate> {
        let value = f32::from_bits(field(at)?);
        rate_of_single(value).filter(|rate| (1.0..=1000.0).contains(&rate.as_f64()))
    };
    let rate = rate(1940).or_else(|| rate(1724));
    let label = field(1920).map(|value| dpx_label(value, rate));
    Header { rate, label, reel: None }
}

/// At 30 frames a second and below the tens of frames take two bits, and the bit above
/// them is the drop-frame flag (ST 12-1); at higher rates it belongs to the number.
fn dpx_label(value: u32, rate: Option<Rate>) -> Label {
    let mut bcd = value.to_be_bytes();
    let slow = rate.is_none_or(|rate| rate.nominal() <= 30);
    let drop = slow && bcd[3] & 0x40 != 0;
    if slow {
        bcd[3] &= 0x3f;
    }
    Label { bcd, drop }
}

/// Reads a single-precision rate as the decimal a person wrote.
fn rate_of_single(value: f32) -> Option<Rate> {
    Rate::parse(&value.to_string())
}

/// Reads the attributes of an EXR header (OpenEXR file layout; `timecode` packed as
/// television, TV60, in `ImfTimeCode`; from memory).
fn exr(head: &[u8]) -> Header {
    let mut header = Header::default();
    let mut at = 8;
    while let Some((name, kind, value, next)) = attribute(head, at) {
        let word = |from: usize| -> Option<u32> {
            Some(u32::from_le_bytes(value.get(from..from + 4)?.try_into().ok()?))
        };
        match (name, kind) {
            (b"timeCode", b"timecode") => header.label = word(0).map(exr_label),
            (b"framesPerSecond", b"rational") => {
                header.rate = word(0)
                    .zip(word(4))
                    .and_then(|(num, den)| Rate::new(num, den).filter(|_| num <= i32::MAX as u32));
            }
            (b"reelName", b"string") => {
                let text = String::from_utf8_lossy(value);
                let text = text.trim_matches(['\0', ' ']);
                header.reel = (!text.is_empty()).then(|| text.to_string());
            }
            _ => {}
        }
        at = next;
    }
    header
}

/// Name, type, value, and where the next attribute begins.
type Attribute<'a> = (&'a [u8], &'a [u8], &'a [u8], usize);

/// Reads one text that ends in a zero byte, and where it ends.
fn word(head: &[u8], from: usize) -> Option<(&[u8], usize)> {
    let rest = head.get(from..)?;
    let length = rest.iter().take(256).position(|byte| *byte == 0)?;
    Some((&rest[..length], from + length + 1))
}

/// Reads one attribute.
fn attribute(head: &[u8], at: usize) -> Option<Attribute<'_>> {
    let (name, after_name) = word(head, at)?;
    if name.is_empty() {
        return None;
    }
    let (kind, after_kind) = word(head, after_name)?;
    let size: [u8; 4] = head.get(after_kind..after_kind.checked_add(4)?)?.try_into().ok()?;
    let size = usize::try_from(u32::from_le_bytes(size)).ok()?;
    let start = after_kind + 4;
    let end = start.checked_add(size)?;
    Some((name, kind, head.get(start..end)?, end))
}

fn exr_label(packed: u32) -> Label {
    let [f, s, m, h] = packed.to_le_bytes();
    Label { bcd: [h & 0x3f, m & 0x7f, s & 0x7f, f & 0x3f], drop: f & 0x40 != 0 }
}

/// Returns the start timecode of a run, if its headers carry one that runs with the files.
///
/// Writers that know no timecode fill the field with zeros in every file; such a field is
/// no timecode.
///
/// # Errors
///
/// A sentence on a label that does not exist, or labels that do not run with the files.
pub(super) fn start(
    run: &Run,
    first: &Header,
    rate: Rate,
    step: u32,
) -> Result<Option<StartTimecode>, String> {
    let Some(label) = first.label else { return Ok(None) };
    let zero = label.bcd == [0; 4];
    let start = label.start(rate)?;
    let Some(last) = run.files.last().filter(|_| run.files.len() > step.max(1) as usize) else {
        return Ok((!zero).then_some(start));
    };
    let last = head_of(last, HEAD).ok().and_then(|head| read(&head).label);
    let last = last.and_then(|label| label.start(rate).ok());
    let ahead = i64::try_from(run.files.len()).unwrap_or(i64::MAX) - i64::from(step.max(1));
    match last {
        Some(last) if runs_on(start, last.frame, ahead) => Ok(Some(start)),
        _ if zero => Ok(None),
        Some(last) => Err(format!(
            "header timecodes do not run with the files: first {}, last {}",
            start.counting.label(start.frame),
            last.counting.label(last.frame)
        )),
        None => Err(format!(
            "header timecode \"{}\" stands in the first file, but none in the last",
            label.text()
        )),
    }
}

/// Tells whether the last label is as far from the first as the files are, past midnight too.
fn runs_on(start: StartTimecode, last: Frame, ahead: i64) -> bool {
    let day = start.counting.frames_in_day();
    (last.0 - start.frame.0).rem_euclid(day) == ahead.rem_euclid(day)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dpx_bytes(big: bool, timecode: u32, film: f32, television: f32) -> Vec<u8> {
        let mut head = vec![0xff; 2048];
        head[..4].copy_from_slice(if big { b"SDPX" } else { b"XPDS" });
        for (at, value) in
            [(4, 2048), (1920, timecode), (1724, film.to_bits()), (1940, television.to_bits())]
        {
            let bytes = if big { value.to_be_bytes() } else { value.to_le_bytes() };
            head[at..at + 4].copy_from_slice(&bytes);
        }
        head
    }

    #[test]
    fn a_dpx_header_reads_the_same_in_both_byte_orders() {
        for big in [true, false] {
            let header = read(&dpx_bytes(big, 0x1003_2107, f32::NAN, 23.976));
            assert_eq!(header.rate, Rate::new(24000, 1001));
            assert_eq!(header.label.map(Label::text).as_deref(), Some("10:03:21:07"));
        }
        assert_eq!(read(&dpx_bytes(true, 0, 25.0, f32::INFINITY)).rate, Rate::new(25, 1));
        let unfilled = read(&vec![0xff; 2048]);
        assert_eq!(unfilled, Header::default());
        let mut short = dpx_bytes(true, 0x1003_2107, 24.0, 24.0);
        short[4..8].copy_from_slice(&1664_u32.to_be_bytes());
        assert_eq!(read(&short), Header::default());
        let mut blank = vec![0xff; 2048];
        blank[..4].copy_from_slice(b"SDPX");
        assert_eq!(read(&blank), Header::default());
        assert_eq!(read(&blank[..1000]), Header::default());
    }

    #[test]
    fn a_dpx_drop_frame_flag_is_not_a_digit() {
        let ntsc = Rate::new(30000, 1001);
        assert!(dpx_label(0x0059_5860, ntsc).drop);
        assert_eq!(dpx_label(0x0059_5860, ntsc).text(), "00:59:58:20");
        assert_eq!(dpx_label(0x0059_5848, Rate::new(50, 1)).text(), "00:59:58:48");
    }

    #[test]
    fn exr_attributes_are_read_and_broken_ones_end_the_header() {
        let mut head = b"\x76\x2f\x31\x01\x02\0\0\0".to_vec();
        let mut put = |name: &[u8], kind: &[u8], value: &[u8]| {
            head.extend([name, b"\0", kind, b"\0"].concat());
            head.extend((value.len() as u32).to_le_bytes());
            head.extend(value);
        };
        put(
            b"framesPerSecond",
            b"rational",
            &[24000u32.to_le_bytes(), 1001u32.to_le_bytes()].concat(),
        );
        put(b"timeCode", b"timecode", &[0x07, 0x21, 0x83, 0x10, 0, 0, 0, 0]);
        put(b"reelName", b"string", b"A014");
        let header = read(&head);
        assert_eq!(header.rate, Rate::new(24000, 1001));
        assert_eq!(header.label.map(Label::text).as_deref(), Some("10:03:21:07"));
        assert_eq!(header.reel.as_deref(), Some("A014"));
        head.extend(b"long\0string\0\xff\xff\xff\xff");
        assert_eq!(read(&head), header);
    }
}
