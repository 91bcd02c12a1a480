//! Numbered runs of image files: finding them, naming them, and what is missing.

use super::header;
use super::image_frames;
use super::info::{ColourTags, FieldOrder, MediaInfo, MediaKind};
use super::open::{Media, OpenOptions, Source, shown_name};
use super::timecode;
use crate::error::{BadInput, Faults};
use crate::time::{FrameRange, Rate, union};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

/// The codec of an image file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Codec {
    Dpx,
    Exr,
    Png,
    Tiff,
    Jpeg,
    Jpeg2000,
    Bmp,
    Tga,
}

/// Endings of image files, and their codec. What a file is, its first bytes say.
const ENDINGS: [(&str, Codec); 14] = [
    ("dpx", Codec::Dpx),
    ("exr", Codec::Exr),
    ("sxr", Codec::Exr),
    ("png", Codec::Png),
    ("tif", Codec::Tiff),
    ("tiff", Codec::Tiff),
    ("jpg", Codec::Jpeg),
    ("jpeg", Codec::Jpeg),
    ("jp2", Codec::Jpeg2000),
    ("j2k", Codec::Jpeg2000),
    ("j2c", Codec::Jpeg2000),
    ("jpc", Codec::Jpeg2000),
    ("bmp", Codec::Bmp),
    ("tga", Codec::Tga),
];

impl Codec {
    /// Returns the codec an ending stands for.
    pub fn of_ending(path: &Path) -> Option<Codec> {
        let ending = path.extension()?.to_str()?.to_ascii_lowercase();
        ENDINGS.iter().find(|(known, _)| *known == ending).map(|(_, codec)| *codec)
    }

    /// Returns the codec of a file by its first bytes, else by its ending.
    pub fn of_file(path: &Path, head: &[u8]) -> Option<Codec> {
        const MARKS: [(&[u8], Codec); 10] = [
            (b"SDPX", Codec::Dpx),
            (b"XPDS", Codec::Dpx),
            (b"\x76\x2f\x31\x01", Codec::Exr),
            (b"\x89PNG", Codec::Png),
            (b"II\x2a\0", Codec::Tiff),
            (b"MM\0\x2a", Codec::Tiff),
            (b"\xff\xd8\xff", Codec::Jpeg),
            (b"\xff\x4f\xff\x51", Codec::Jpeg2000),
            (b"\0\0\0\x0cjP", Codec::Jpeg2000),
            (b"BM", Codec::Bmp),
        ];
        let marked = MARKS.iter().find(|(mark, _)| head.starts_with(mark));
        let tga = Codec::of_ending(path).filter(|codec| *codec == Codec::Tga);
        marked.map(|(_, codec)| *codec).or(tga)
    }
}

/// A numbered run of image files, none missing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Run {
    pub files: Vec<PathBuf>,
    pub first_number: i64,
    /// `A014C007.[1001-1240].exr`
    pub name: String,
}

/// A file name as prefix, number and suffix.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Numbered {
    pub prefix: String,
    pub digits: String,
    pub suffix: String,
}

impl Numbered {
    /// Splits at the last digits before the ending; `None` without any, or if the number
    /// passes 18 digits.
    pub fn split(name: &str) -> Option<Numbered> {
        let dot = name.rfind('.')?;
        let (stem, _) = name.split_at(dot);
        let end = stem.rfind(|letter: char| letter.is_ascii_digit())? + 1;
        let start = stem[..end]
            .rfind(|letter: char| !letter.is_ascii_digit())
            .map_or(0, |at| at + stem[at..].chars().next().map_or(1, char::len_utf8));
        (end - start <= 18).then(|| Numbered {
            prefix: name[..start].to_string(),
            digits: name[start..end].to_string(),
            suffix: name[end..].to_string(),
        })
    }

    /// Returns the number.
    pub fn number(&self) -> i64 {
        self.digits.parse().unwrap_or(0)
    }
}

/// What names a run: everything around the number, and the numbers wanted.
struct Wanted {
    folder: PathBuf,
    prefix: String,
    suffix: String,
    numbers: Option<(i64, i64)>,
}

/// Finds the run of image files a path names; `None` if it names a container file.
pub(super) fn find(path: &Path, step: u32) -> Result<Option<Run>, Faults> {
    let step = i64::from(step.max(1));
    if path.is_dir() {
        return run_of_folder(path, step).map(Some);
    }
    let folder = folder_of(path);
    let Some(name) = path.file_name().and_then(|name| name.to_str()) else { return Ok(None) };
    if path.is_file() {
        if Codec::of_ending(path).is_none() {
            return Ok(None);
        }
        let Some(numbered) = Numbered::split(name) else {
            let run = Run { files: vec![path.to_path_buf()], first_number: 0, name: name.into() };
            return Ok(Some(run));
        };
        let (prefix, suffix) = (numbered.prefix, numbered.suffix);
        return run_of(&Wanted { folder, prefix, suffix, numbers: None }, step).map(Some);
    }
    match pattern(name) {
        Some((prefix, suffix, numbers)) => {
            run_of(&Wanted { folder, prefix, suffix, numbers }, step).map(Some)
        }
        None => Ok(None),
    }
}

/// What stands before and after a number, and the first and last number if given.
type Pattern = (String, String, Option<(i64, i64)>);

/// Reads `name.%04d.ext`, `name.####.ext` and `name.[1001-1240].ext`.
fn pattern(name: &str) -> Option<Pattern> {
    Codec::of_ending(Path::new(name))?;
    let whole = |start: usize, end: usize, numbers| {
        Some((name[..start].to_string(), name[end..].to_string(), numbers))
    };
    if let Some(start) = name.find('%')
        && let Some(length) = name[start + 1..].find('d')
        && name[start + 1..start + 1 + length].bytes().all(|byte| byte.is_ascii_digit())
    {
        return whole(start, start + length + 2, None);
    }
    if let Some(start) = name.find('#') {
        let length = name[start..].bytes().take_while(|byte| *byte == b'#').count();
        return whole(start, start + length, None);
    }
    let start = name.find('[')?;
    let end = start + name[start..].find(']')?;
    let (first, last) = name[start + 1..end].split_once('-')?;
    whole(start, end + 1, Some((first.parse().ok()?, last.parse().ok()?)))
}

/// Returns what stands before and after the number in a pattern.
pub(super) fn around_number(name: &str) -> Option<(String, String)> {
    pattern(name).map(|(prefix, suffix, _)| (prefix, suffix))
}

/// Returns what stands before the number in the name of an image file or in a pattern of
/// such; `None` for any other name.
///
/// ```
/// # use platesmith::media::image_run;
/// assert_eq!(image_run("A003C004.1001.exr").as_deref(), Some("A003C004."));
/// assert_eq!(image_run("A003C004.####.dpx").as_deref(), Some("A003C004."));
/// assert_eq!(image_run("A003C004.1001.mov"), None);
/// ```
pub fn image_run(name: &str) -> Option<String> {
    Codec::of_ending(Path::new(name))?;
    let around = around_number(name).map(|(prefix, _)| prefix);
    around.or_else(|| Numbered::split(name).map(|numbered| numbered.prefix))
}

/// Returns the first image file that a folder of one run, or a pattern, stands for; also of
/// a run with files missing, which opening then refuses.
pub(super) fn first_of(path: &Path) -> Option<PathBuf> {
    if path.is_dir() {
        let names = names_in(path).ok()?;
        let runs = group(names.iter().map(String::as_str));
        let first = runs.values().next()?.first()?;
        return (runs.len() == 1).then(|| path.join(&first.1));
    }
    let (prefix, suffix, numbers) = pattern(path.file_name()?.to_str()?)?;
    let wanted = Wanted { folder: folder_of(path), prefix, suffix, numbers };
    let files = files_of(&wanted).ok()?;
    files.first().map(|(_, name)| wanted.folder.join(name))
}

fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_path_buf(),
        _ => PathBuf::from("."),
    }
}

/// Groups the image files of a folder into runs, by what stands around their number.
pub(super) fn group<'a>(
    names: impl Iterator<Item = &'a str>,
) -> BTreeMap<(String, String), Vec<(i64, String)>> {
    let mut runs: BTreeMap<(String, String), Vec<(i64, String)>> = BTreeMap::new();
    for name in names.filter(|name| Codec::of_ending(Path::new(name)).is_some()) {
        let (key, number) = match Numbered::split(name) {
            Some(numbered) => {
                let number = numbered.number();
                ((numbered.prefix, numbered.suffix), number)
            }
            None => ((name.to_string(), String::new()), 0),
        };
        runs.entry(key).or_default().push((number, name.to_string()));
    }
    for files in runs.values_mut() {
        files.sort();
    }
    runs
}

fn run_of_folder(folder: &Path, step: i64) -> Result<Run, Faults> {
    let names = names_in(folder)?;
    let runs = group(names.iter().map(String::as_str));
    let mut runs = runs.into_iter();
    match (runs.next(), runs.next()) {
        (Some(((prefix, suffix), files)), None) => {
            let wanted = Wanted { folder: folder.into(), prefix, suffix, numbers: None };
            whole_run(&wanted, files, step)
        }
        (None, _) => Err(Faults::one(
            shown_name(folder),
            "",
            "the folder holds no image files",
            "name a media file, or the folder of one run of image files",
        )),
        (Some(((first, _), _)), Some(((second, _), _))) => Err(Faults::one(
            shown_name(folder),
            "",
            format!(
                "the folder holds more than one run of image files: \"{first}\" and \"{second}\"{}",
                if runs.next().is_some() { " and others" } else { "" }
            ),
            "name one file of the run that is meant",
        )),
    }
}

fn names_in(folder: &Path) -> Result<Vec<String>, Faults> {
    let entries = std::fs::read_dir(folder).map_err(|why| {
        Faults::one(
            shown_name(folder),
            "",
            super::container::said(&why),
            "check the path and who may read it",
        )
    })?;
    let mut names: Vec<String> = entries
        .flatten()
        .filter_map(|entry| entry.file_name().into_string().ok())
        .filter(|name| !name.starts_with('.'))
        .collect();
    names.sort();
    Ok(names)
}

fn run_of(wanted: &Wanted, step: i64) -> Result<Run, Faults> {
    whole_run(wanted, files_of(wanted)?, step)
}

/// Returns the files of a run with their numbers, in order.
fn files_of(wanted: &Wanted) -> Result<Vec<(i64, String)>, Faults> {
    let mut files: Vec<(i64, String)> = names_in(&wanted.folder)?
        .into_iter()
        .filter_map(|name| {
            let digits = name.strip_prefix(&wanted.prefix)?.strip_suffix(&wanted.suffix)?;
            let all = !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit());
            let number: i64 = if all { digits.parse().ok()? } else { return None };
            let inside = wanted.numbers.is_none_or(|(a, b)| (a..=b).contains(&number));
            inside.then_some((number, name))
        })
        .collect();
    files.sort();
    Ok(files)
}

/// Makes a run of numbered files, if none is missing and no number stands twice.
fn whole_run(wanted: &Wanted, files: Vec<(i64, String)>, step: i64) -> Result<Run, Faults> {
    let anywhere = format!("{}*{}", wanted.prefix, wanted.suffix);
    let (Some(first), Some(last)) = (
        wanted.numbers.map(|(first, _)| first).or(files.first().map(|file| file.0)),
        wanted.numbers.map(|(_, last)| last).or(files.last().map(|file| file.0)),
    ) else {
        return Err(Faults::one(
            anywhere,
            "",
            "there are no files of this name",
            "check the path and whether the volume is mounted",
        ));
    };
    let fault = |fault: String, remedy: &str| {
        Err(Faults::one(&anywhere, format!("frames {first}-{last}"), fault, remedy))
    };
    if let Some(pair) = files.windows(2).find(|pair| pair[0].0 == pair[1].0) {
        let text = format!("frame {} is there twice: {} and {}", pair[0].0, pair[0].1, pair[1].1);
        return fault(text, "keep one of the two");
    }
    if let Some((number, _)) = files.iter().find(|(number, _)| (number - first) % step != 0) {
        let text = format!("frame {number} is not in steps of {step} from {first}");
        return fault(text, "correct the step between the numbers");
    }
    let expected = (last.saturating_sub(first)) / step + 1;
    if expected != files.len() as i64 {
        return fault(
            missing(&files, first, last, step),
            "restore the frame from the camera master",
        );
    }
    let name = if files.len() == 1 && wanted.numbers.is_none() {
        files[0].1.clone()
    } else {
        format!("{}[{first}-{last}]{}", wanted.prefix, wanted.suffix)
    };
    let repeated = files.iter().flat_map(|(_, name)| {
        std::iter::repeat_n(wanted.folder.join(name), usize::try_from(step).unwrap_or(1))
    });
    Ok(Run { files: repeated.collect(), first_number: first, name })
}

/// Says which numbers are missing: `frame 1107 is missing (239 of 240 found)`.
fn missing(files: &[(i64, String)], first: i64, last: i64, step: i64) -> String {
    let slot = |number: i64| (number - first) / step;
    let there: Vec<FrameRange> =
        files.iter().map(|file| FrameRange::new(slot(file.0), slot(file.0) + 1)).collect();
    let total = slot(last) + 1;
    let holes = FrameRange::new(0, total).without(&union(&there));
    let shown: Vec<String> = holes
        .iter()
        .take(8)
        .map(|hole| {
            let (a, b) = (first + hole.start.0 * step, first + (hole.end.0 - 1) * step);
            if a == b { a.to_string() } else { format!("{a}-{b}") }
        })
        .collect();
    let one = holes.len() == 1 && holes[0].count().0 == 1;
    format!(
        "{} {}{} {} missing ({} of {total} found)",
        if one { "frame" } else { "frames" },
        shown.join(", "),
        if holes.len() > 8 { ", ..." } else { "" },
        if one { "is" } else { "are" },
        files.len()
    )
}

/// Reads at most the first `limit` bytes of a file.
pub(super) fn head_of(path: &Path, limit: u64) -> Result<Vec<u8>, Faults> {
    let mut head = Vec::new();
    let read = std::fs::File::open(path).and_then(|file| file.take(limit).read_to_end(&mut head));
    match read {
        Ok(_) => Ok(head),
        Err(why) => Err(Faults::one(
            shown_name(path),
            "",
            super::container::said(&why),
            "check who may read it",
        )),
    }
}

/// Opens a run: its headers, and its first picture.
pub(super) fn open(run: Run, options: OpenOptions) -> Result<Media, Faults> {
    let first = run.files.first().cloned().unwrap_or_default();
    let head = head_of(&first, header::HEAD)?;
    if head.is_empty() {
        return Err(Faults::one(
            shown_name(&first),
            "",
            "it is empty: 0 bytes",
            "copy it again from the camera master",
        ));
    }
    let Some(codec) = Codec::of_file(&first, &head) else {
        return Err(Faults::one(
            shown_name(&first),
            "",
            "its first bytes are not those of an image file",
            "copy it again from the camera master",
        ));
    };
    let said = header::read(&head);
    let mut warnings = Vec::new();
    let rate = choose_rate(&run, said.rate, options, &mut warnings);
    let start = header::start(&run, &said, rate, options.frame_step).unwrap_or_else(|why| {
        warnings.push(timecode::refused(&shown_name(&first), why));
        None
    });
    let mut info = MediaInfo {
        name: run.name.clone(),
        format: "images".into(),
        codec: String::new(),
        profile: None,
        pixel_format: String::new(),
        width: 0,
        height: 0,
        pixel_aspect: (1, 1),
        rotation: 0,
        rate,
        frames: run.files.len() as u64,
        start,
        reel: said.reel.clone(),
        field_order: FieldOrder::Unknown,
        colour: ColourTags::default(),
        kind: MediaKind::Images { files: run.files, first_number: run.first_number },
    };
    info.codec = image_frames::codec_name(codec);
    let source = Source::Images { codec };
    let mut media = Media {
        info,
        warnings,
        options,
        source,
        sizes: Vec::new(),
        whole_id: Default::default(),
        stored: None,
    };
    let picture = super::frames::Frames::from_head(&media)?.first_picture()?;
    media.info.pixel_format = picture.format().to_string();
    media.info.width = picture.width();
    media.info.height = picture.height();
    media.info.colour = picture.colour();
    media.info.pixel_aspect = picture.aspect();
    Ok(media)
}

/// Takes the rate the headers say, else the caller's, else 24 with a warning.
fn choose_rate(
    run: &Run,
    said: Option<Rate>,
    options: OpenOptions,
    warnings: &mut Vec<BadInput>,
) -> Rate {
    let film = Rate::from_f64(24.0);
    let chosen = said.or(options.sequence_rate);
    if chosen.is_none() && run.files.len() > 1 {
        warnings.push(BadInput::new(
            &run.name,
            "",
            "the image files say no frame rate; 24 is taken",
            "give the rate in the cut or the log",
        ));
    }
    chosen.or(film).expect("24 is a rate")
}
