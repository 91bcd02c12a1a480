//! The chunks of a wave file: RIFF, RF64 and BW64, walked from header to header. Samples are
//! never read, so a file of any length costs a few reads.
//!
//! Sources: Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0
//! (1991); EBU Tech 3306; ITU-R BS.2088.

use super::super::Wrong;
use crate::error::shown;
use std::io::{Read, Seek, SeekFrom};

/// Chunks walked over at most. Real files have a dozen; ours.
const MOST_CHUNKS: usize = 10_000;
/// Bytes read of one chunk at most: far above any real iXML or list of cues; ours.
const MOST_BYTES: u64 = 4 << 20;
/// Entries of a `ds64` table read at most; ours.
const MOST_SIZES: usize = 1_000;
/// What a 32-bit size says where the real one stands in `ds64` (EBU Tech 3306).
const IN_DS64: u32 = u32::MAX;

/// Bytes of one chunk and where they begin in the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chunk {
    /// File offset of the first byte.
    pub at: u64,
    /// The bytes, as many as there are and are read.
    pub bytes: Vec<u8>,
}

/// What a wave file holds besides its samples.
#[derive(Debug, Default)]
pub struct Wave {
    /// `fmt `.
    pub format: Option<Chunk>,
    /// `bext`.
    pub bext: Option<Chunk>,
    /// `iXML`.
    pub ixml: Option<Chunk>,
    /// `cue `.
    pub cues: Option<Chunk>,
    /// Every `LIST` of type `adtl`, without the type.
    pub lists: Vec<Chunk>,
    /// Bytes of samples.
    pub samples: Option<u64>,
    /// What is wrong with the file, each with its place.
    pub faults: Vec<(String, Wrong)>,
}

/// The 64-bit sizes of an RF64 or BW64 file.
#[derive(Debug, Default)]
struct LongSizes {
    data: u64,
    /// Other chunks too long for 32 bits, in the order of the file.
    others: Vec<([u8; 4], u64)>,
}

/// Tells whether bytes begin as a wave file does.
pub fn is_wave(head: &[u8]) -> bool {
    [b"RIFF", b"RF64", b"BW64"].iter().any(|id| head.starts_with(*id))
}

/// Walks a file from its first byte.
///
/// # Errors
///
/// A file that is no wave file, or that cannot be read. Everything less stands in
/// [`Wave::faults`].
pub fn walk(file: &mut (impl Read + Seek)) -> Result<Wave, Wrong> {
    let unread = |io: std::io::Error| {
        Wrong::new(format!("cannot be read: {io}"), "copy the file again from the recorder's card")
    };
    let length = file.seek(SeekFrom::End(0)).map_err(unread)?;
    file.seek(SeekFrom::Start(0)).map_err(unread)?;
    let mut head = Vec::new();
    file.by_ref().take(12).read_to_end(&mut head).map_err(unread)?;
    if head.len() < 12 || !is_wave(&head) || !head[8..12].eq_ignore_ascii_case(b"WAVE") {
        return Err(Wrong::new(
            "is not a wave file: it does not begin with RIFF, RF64 or BW64 and WAVE",
            "give the recorder's own file, or leave it out",
        ));
    }
    let mut walk = Walk { file, length, at: 12, sizes: None, wave: Wave::default() };
    let mut chunks = 0;
    while walk.at.saturating_add(8) <= length {
        chunks += 1;
        if chunks > MOST_CHUNKS {
            walk.say(format!("byte {}", walk.at), too_many());
            break;
        }
        if !walk.chunk().map_err(unread)? {
            break;
        }
    }
    Ok(walk.wave)
}

fn too_many() -> Wrong {
    Wrong::new(
        format!("more than {MOST_CHUNKS} chunks; the rest is not read"),
        "copy the file again from the recorder's card",
    )
}

struct Walk<'f, F> {
    file: &'f mut F,
    length: u64,
    at: u64,
    sizes: Option<LongSizes>,
    wave: Wave,
}

impl<F: Read + Seek> Walk<'_, F> {
    fn say(&mut self, place: String, wrong: Wrong) {
        self.wave.faults.push((place, wrong));
    }

    /// Reads one chunk's header and what is wanted of it; false where the walk ends.
    fn chunk(&mut self) -> std::io::Result<bool> {
        let at = self.at;
        let Some((id, short)) = self.header(at)? else { return Ok(false) };
        if !is_id(id) {
            // Zeros behind the last chunk are room that a recorder left.
            if id != [0; 4] {
                let text = shown(&String::from_utf8_lossy(&id), 8);
                let fault = format!("no chunk begins here: its id would be \"{text}\"");
                let wrong = Wrong::new(fault, "copy the file again from the recorder's card");
                self.say(format!("byte {at}"), wrong);
            }
            return Ok(false);
        }
        let body = at + 8;
        let left = self.length - body;
        let size = self.size(id, short, left);
        let held = size.min(left);
        if size > left {
            let name = name(id);
            let fault = format!("the chunk says it holds {size} bytes, and {left} are left");
            let remedy = "copy the file again from the recorder's card; what is there is read";
            self.say(format!("{name} chunk, byte {at}"), Wrong::new(fault, remedy));
        }
        self.keep(id, body, held)?;
        self.at = self.next(body, held)?;
        Ok(true)
    }

    /// The size of a chunk as it is meant.
    fn size(&mut self, id: [u8; 4], short: u32, left: u64) -> u64 {
        if short == IN_DS64
            && let Some(sizes) = &mut self.sizes
        {
            if &id == b"data" {
                return sizes.data;
            }
            if let Some(at) = sizes.others.iter().position(|(other, _)| *other == id) {
                return sizes.others.remove(at).1;
            }
        }
        // A recorder that lost its power has not written the size of the samples: they run
        // to the end. Common practice, no source.
        if &id == b"data" && (short == 0 || short == IN_DS64) && self.sizes.is_none() {
            return left;
        }
        u64::from(short)
    }

    /// The place of the chunk behind one. Chunks begin at even bytes; where a writer left
    /// the padding out, the next id stands one byte early.
    fn next(&mut self, body: u64, held: u64) -> std::io::Result<u64> {
        let end = body.saturating_add(held);
        if held.is_multiple_of(2) {
            return Ok(end);
        }
        let padded = self.header(end.saturating_add(1))?;
        let early = self.header(end)?;
        let begins = |header: Option<([u8; 4], u32)>| header.is_some_and(|(id, _)| is_id(id));
        Ok(if !begins(padded) && begins(early) { end } else { end.saturating_add(1) })
    }

    fn header(&mut self, at: u64) -> std::io::Result<Option<([u8; 4], u32)>> {
        if at.saturating_add(8) > self.length {
            return Ok(None);
        }
        let mut head = [0; 8];
        self.file.seek(SeekFrom::Start(at))?;
        self.file.read_exact(&mut head)?;
        let [a, b, c, d, size @ ..] = head;
        Ok(Some(([a, b, c, d], u32::from_le_bytes(size))))
    }

    fn keep(&mut self, id: [u8; 4], body: u64, held: u64) -> std::io::Result<()> {
        match &id.map(|letter| letter.to_ascii_lowercase()) {
            b"ds64" => {
                let chunk = self.read(body, held)?;
                self.sizes.get_or_insert(long_sizes(&chunk.bytes));
            }
            b"data" if self.wave.samples.is_none() => self.wave.samples = Some(held),
            b"fmt " if self.wave.format.is_none() => {
                self.wave.format = Some(self.read(body, held)?);
            }
            b"bext" if self.wave.bext.is_none() => self.wave.bext = Some(self.read(body, held)?),
            b"ixml" if self.wave.ixml.is_none() => self.wave.ixml = Some(self.read(body, held)?),
            b"cue " if self.wave.cues.is_none() => self.wave.cues = Some(self.read(body, held)?),
            b"list" if held >= 4 => {
                let mut kind = [0; 4];
                self.file.seek(SeekFrom::Start(body))?;
                self.file.read_exact(&mut kind)?;
                if kind.eq_ignore_ascii_case(b"adtl") {
                    let chunk = self.read(body + 4, held - 4)?;
                    self.wave.lists.push(chunk);
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn read(&mut self, at: u64, held: u64) -> std::io::Result<Chunk> {
        if held > MOST_BYTES {
            let fault = format!("the chunk holds {held} bytes; {MOST_BYTES} of them are read");
            let remedy = "look at what wrote this file";
            self.say(format!("byte {at}"), Wrong::new(fault, remedy));
        }
        let mut bytes = Vec::new();
        self.file.seek(SeekFrom::Start(at))?;
        self.file.by_ref().take(held.min(MOST_BYTES)).read_to_end(&mut bytes)?;
        Ok(Chunk { at, bytes })
    }
}

/// Four printable letters of ASCII.
fn is_id(id: [u8; 4]) -> bool {
    id.iter().all(|letter| letter.is_ascii_graphic() || *letter == b' ') && id != *b"    "
}

fn name(id: [u8; 4]) -> String {
    String::from_utf8_lossy(&id).trim().to_string()
}

/// Reads `ds64`: sizes of file, samples, count of samples, then a table.
fn long_sizes(bytes: &[u8]) -> LongSizes {
    let long = |at: usize| number(bytes, at);
    let mut sizes = LongSizes { data: long(8).unwrap_or(0), others: Vec::new() };
    let table = bytes.get(28..).unwrap_or_default();
    for entry in table.chunks_exact(12).take(MOST_SIZES) {
        if let (Some(id), Some(size)) = (entry.first_chunk::<4>(), number(entry, 4)) {
            sizes.others.push((*id, size));
        }
    }
    sizes
}

/// A 64-bit number, little end first.
pub fn number(bytes: &[u8], at: usize) -> Option<u64> {
    Some(u64::from_le_bytes(*bytes.get(at..)?.first_chunk()?))
}

/// A 32-bit number, little end first.
pub fn word(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_le_bytes(*bytes.get(at..)?.first_chunk()?))
}

/// A 16-bit number, little end first.
pub fn half(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_le_bytes(*bytes.get(at..)?.first_chunk()?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn wave(form: &[u8; 4], chunks: &[(&[u8; 4], u32, &[u8])]) -> Vec<u8> {
        let mut bytes = [form.as_slice(), &[0; 4], b"WAVE"].concat();
        for (id, size, body) in chunks {
            bytes.extend([id.as_slice(), &size.to_le_bytes(), body].concat());
        }
        bytes
    }

    fn walked(bytes: Vec<u8>) -> Wave {
        walk(&mut Cursor::new(bytes)).expect("a wave file")
    }

    #[test]
    fn chunks_stand_behind_the_samples_and_without_their_padding() {
        let cues: &[u8] = b"abc";
        let padded = walked(wave(b"RIFF", &[(b"data", 3, b"123\0"), (b"cue ", 3, cues)]));
        let early = walked(wave(b"RIFF", &[(b"data", 3, b"123"), (b"cue ", 3, cues)]));
        for wave in [padded, early] {
            assert_eq!(wave.samples, Some(3));
            assert_eq!(wave.cues.map(|chunk| chunk.bytes).as_deref(), Some(cues));
            assert!(wave.faults.is_empty());
        }
    }

    #[test]
    fn long_sizes_stand_in_ds64() {
        // ITU-R BS.2088: riffSize, dataSize, sampleCount, tableLength, table.
        let sizes = [0u64, 6, 0].iter().flat_map(|size| size.to_le_bytes());
        let table = [1u32.to_le_bytes().as_slice(), b"cue ", &4u64.to_le_bytes()].concat();
        let sizes: Vec<u8> = sizes.chain(table).collect();
        for form in [b"RF64", b"BW64"] {
            let chunks: [(&[u8; 4], u32, &[u8]); 4] = [
                (b"ds64", sizes.len() as u32, &sizes),
                (b"data", u32::MAX, b"123456"),
                (b"cue ", u32::MAX, b"wxyz"),
                (b"bext", 2, b"be"),
            ];
            let wave = walked(wave(form, &chunks));
            assert_eq!((wave.samples, wave.faults.len()), (Some(6), 0));
            assert_eq!(wave.cues.map(|chunk| chunk.bytes), Some(b"wxyz".to_vec()));
            assert_eq!(wave.bext.map(|chunk| chunk.bytes), Some(b"be".to_vec()));
        }
    }

    #[test]
    fn a_chunk_that_lies_about_its_size_is_said_and_read_as_far_as_it_goes() {
        let wave = walked(wave(b"RIFF", &[(b"bext", 1 << 31, b"short")]));
        assert_eq!(wave.bext.map(|chunk| chunk.bytes), Some(b"short".to_vec()));
        assert_eq!(wave.faults.len(), 1);
        assert_eq!(wave.faults[0].0, "bext chunk, byte 12");
    }

    #[test]
    fn samples_of_a_recorder_that_lost_its_power_run_to_the_end() {
        let wave = walked(wave(b"RIFF", &[(b"data", 0, b"12345678")]));
        assert_eq!((wave.samples, wave.faults.len()), (Some(8), 0));
    }

    /// Counts what is read of a file that is longer than any memory.
    struct Long {
        head: Vec<u8>,
        tail: Vec<u8>,
        length: u64,
        at: u64,
        read: u64,
        reads: u32,
    }

    impl Read for Long {
        fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
            let tail = self.length - self.tail.len() as u64;
            let mut count = 0;
            for slot in into.iter_mut() {
                if self.at >= self.length {
                    break;
                }
                let byte = match self.at {
                    at if at < self.head.len() as u64 => self.head[at as usize],
                    at if at >= tail => self.tail[(at - tail) as usize],
                    _ => 0,
                };
                *slot = byte;
                (self.at, count) = (self.at + 1, count + 1);
            }
            (self.read, self.reads) = (self.read + count as u64, self.reads + 1);
            Ok(count)
        }
    }

    impl Seek for Long {
        fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
            self.at = match to {
                SeekFrom::Start(at) => at,
                SeekFrom::End(back) => self.length.saturating_add_signed(back),
                SeekFrom::Current(by) => self.at.saturating_add_signed(by),
            };
            Ok(self.at)
        }
    }

    #[test]
    fn a_file_of_eight_gigabytes_costs_a_few_reads() {
        let data: u64 = 8 << 30;
        let sizes: Vec<u8> = [0, data, 0].iter().flat_map(|size| size.to_le_bytes()).collect();
        let sizes = [sizes, vec![0; 4]].concat();
        let chunks: [(&[u8; 4], u32, &[u8]); 2] =
            [(b"ds64", sizes.len() as u32, &sizes), (b"data", u32::MAX, b"")];
        let head = wave(b"RF64", &chunks);
        let tail = [b"cue ".as_slice(), &4u32.to_le_bytes(), b"wxyz"].concat();
        let length = head.len() as u64 + data + tail.len() as u64;
        let mut long = Long { head, tail, length, at: 0, read: 0, reads: 0 };
        let wave = walk(&mut long).expect("a wave file");
        assert_eq!(wave.samples, Some(data));
        assert_eq!(wave.cues.map(|chunk| chunk.bytes), Some(b"wxyz".to_vec()));
        assert!(long.read < 200 && long.reads < 20, "{} bytes, {} reads", long.read, long.reads);
    }
}
