//! Sound files as a recorder writes them, with next to no sound in them.
//!
//! Layouts: EBU Tech 3285 (`bext`), EBU Tech 3306 and ITU-R BS.2088 (`ds64`), Microsoft and
//! IBM, Multimedia Programming Interface 1.0 (`cue `, `adtl`), iXML specification.
#![allow(dead_code, reason = "each test file uses a part")]

/// A sound file to be written.
#[derive(Debug, Clone)]
pub struct Sound {
    /// `RIFF`, `RF64` or `BW64`.
    pub form: [u8; 4],
    /// Samples a second.
    pub rate: u32,
    /// Samples.
    pub samples: u32,
    /// Samples since midnight at the first.
    pub since_midnight: u64,
    /// Version of `bext`; no chunk if none.
    pub bext: Option<u16>,
    /// Description in `bext`.
    pub description: String,
    /// The iXML chunk; none if empty.
    pub ixml: Vec<u8>,
    /// Cue points: sample, label, length of the region.
    pub cues: Vec<(u32, String, u32)>,
}

impl Default for Sound {
    fn default() -> Sound {
        Sound {
            form: *b"RIFF",
            rate: 48_000,
            samples: 480_000,
            since_midnight: 0,
            bext: Some(1),
            description: String::new(),
            ixml: Vec::new(),
            cues: Vec::new(),
        }
    }
}

impl Sound {
    /// Returns a take at 25 frames a second that starts at 10:00:00:00.
    pub fn take(scene: &str, take: &str, more: &str) -> Sound {
        let ixml = ixml(&format!("<SCENE>{scene}</SCENE><TAKE>{take}</TAKE>{more}"));
        Sound { since_midnight: 36_000 * 48_000, ixml, ..Sound::default() }
    }

    /// Adds cue points.
    pub fn with_cues(mut self, cues: &[(u32, &str, u32)]) -> Sound {
        self.cues = cues.iter().map(|(at, text, length)| (*at, (*text).into(), *length)).collect();
        self
    }

    /// Returns the bytes of the file: one channel of eight bits, chunks with marks behind the
    /// samples.
    pub fn bytes(&self) -> Vec<u8> {
        let long = self.form != *b"RIFF";
        let mut body = Vec::new();
        if long {
            let sizes = [0u64, self.samples.into(), self.samples.into()];
            let sizes: Vec<u8> = sizes.iter().flat_map(|size| size.to_le_bytes()).collect();
            body.extend(chunk(b"ds64", &[sizes, vec![0; 4]].concat()));
        }
        if let Some(version) = self.bext {
            body.extend(chunk(b"bext", &self.bext_chunk(version)));
        }
        let rate = self.rate.to_le_bytes();
        let format = [&[1, 0, 1, 0][..], &rate, &rate, &[1, 0, 8, 0]].concat();
        body.extend(chunk(b"fmt ", &format));
        let mut data = chunk(b"data", &vec![128; self.samples as usize]);
        if long {
            data[4..8].copy_from_slice(&u32::MAX.to_le_bytes());
        }
        body.extend(data);
        if !self.ixml.is_empty() {
            body.extend(chunk(b"iXML", &self.ixml));
        }
        if !self.cues.is_empty() {
            body.extend(chunk(b"cue ", &self.cue_chunk()));
            body.extend(chunk(b"LIST", &self.label_chunk()));
        }
        let size = if long { u32::MAX } else { body.len() as u32 + 4 };
        let mut bytes = [self.form.as_slice(), &size.to_le_bytes(), b"WAVE", &body].concat();
        if long {
            let size = (bytes.len() as u64 - 8).to_le_bytes();
            bytes[20..28].copy_from_slice(&size);
        }
        bytes
    }

    fn bext_chunk(&self, version: u16) -> Vec<u8> {
        let mut chunk = vec![0; 602];
        let text = self.description.as_bytes();
        chunk[..text.len()].copy_from_slice(text);
        chunk[256..264].copy_from_slice(b"recorder");
        chunk[320..330].copy_from_slice(b"2031-05-14");
        chunk[330..338].copy_from_slice(b"10:00:07");
        chunk[338..346].copy_from_slice(&self.since_midnight.to_le_bytes());
        chunk[346..348].copy_from_slice(&version.to_le_bytes());
        chunk.extend(b"A=PCM,F=48000\r\n");
        chunk
    }

    fn cue_chunk(&self) -> Vec<u8> {
        let mut chunk = (self.cues.len() as u32).to_le_bytes().to_vec();
        for (name, (at, ..)) in (1u32..).zip(&self.cues) {
            chunk.extend([name.to_le_bytes(), [0; 4], *b"data", [0; 4], [0; 4]].concat());
            chunk.extend(at.to_le_bytes());
        }
        chunk
    }

    fn label_chunk(&self) -> Vec<u8> {
        let mut list = b"adtl".to_vec();
        for (name, (_, text, length)) in (1u32..).zip(&self.cues) {
            let text = [text.as_bytes(), b"\0"].concat();
            if *length > 0 {
                let head = [name.to_le_bytes(), length.to_le_bytes(), *b"rgn "].concat();
                // Country, language, dialect, code page.
                list.extend(chunk(b"ltxt", &[&head[..], &[0; 8], &text].concat()));
            } else {
                list.extend(chunk(b"labl", &[&name.to_le_bytes()[..], &text].concat()));
            }
        }
        list
    }
}

/// Returns an iXML document at 25 frames a second.
pub fn ixml(fields: &str) -> Vec<u8> {
    let speed =
        "<SPEED><TIMECODE_RATE>25/1</TIMECODE_RATE><TIMECODE_FLAG>NDF</TIMECODE_FLAG></SPEED>";
    let head = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>";
    format!("{head}<BWFXML><IXML_VERSION>1.52</IXML_VERSION>{fields}{speed}</BWFXML>").into_bytes()
}

/// Returns one sync point relative to the file's start.
pub fn sync_point(comment: &str, at: u64, length: u64) -> String {
    format!(
        "<SYNC_POINT><SYNC_POINT_TYPE>RELATIVE</SYNC_POINT_TYPE>\
         <SYNC_POINT_FUNCTION>MARKER_GENERIC</SYNC_POINT_FUNCTION>\
         <SYNC_POINT_COMMENT>{comment}</SYNC_POINT_COMMENT><SYNC_POINT_LOW>{}</SYNC_POINT_LOW>\
         <SYNC_POINT_HIGH>{}</SYNC_POINT_HIGH>\
         <SYNC_POINT_EVENT_DURATION>{length}</SYNC_POINT_EVENT_DURATION></SYNC_POINT>",
        at & 0xFFFF_FFFF,
        at >> 32
    )
}

/// Returns a chunk with its padding.
pub fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let pad = vec![0; body.len() % 2];
    [id.as_slice(), &(body.len() as u32).to_le_bytes(), body, &pad].concat()
}
