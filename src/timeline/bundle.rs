//! Where a timeline and its media lie: a plain file, a zip bundle, a folder bundle.

use crate::error::{BadInput, Faults, shown};
use crate::whole::{folder_of, part, put_whole, write_whole};
use percent_encoding::percent_decode_str;
use std::fs::{self, File};
use std::io::{Read, Write};
use std::path::{Component, Path, PathBuf};
use zip::ZipArchive;

/// Name of the timeline inside a bundle.
const CONTENT: &str = "content.otio";

/// A timeline larger than this is refused. Ours; the document keeps positions in 32 bits.
const MOST_BYTES: u64 = u32::MAX as u64;

/// Deflate cannot pack more than 1032:1, and indented JSON stays below 100:1; a bundled
/// timeline past both figures is made to fill memory. Ours.
const SUSPICIOUS: (u64, u64) = (16 << 20, 300);

/// What a timeline was read from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BundleKind {
    /// `.otio`: media lie where their URLs say.
    Plain,
    /// `.otioz`: media are inside, below `media/`.
    Zip,
    /// `.otiod`: a folder with the timeline and `media/`.
    Folder,
}

/// The file or folder a timeline was read from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bundle {
    path: PathBuf,
    kind: BundleKind,
}

/// Where the media of a URL lie.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MediaPlace {
    /// In a file of its own, which may be missing.
    File(PathBuf),
    /// In a zip bundle; see [`Bundle::extract`].
    Packed {
        /// Its name in the bundle: `media/A014C007.mov`.
        entry: String,
        /// The byte of the bundle at which it starts, if it is stored uncompressed.
        offset: Option<u64>,
        /// Its length in bytes.
        length: u64,
    },
}

/// Returns the name of a file without its folders, for messages.
pub(super) fn shown_name(path: &Path) -> String {
    let name = path.file_name().unwrap_or(path.as_os_str());
    shown(&name.to_string_lossy(), 200)
}

impl Bundle {
    /// Finds out what a path is and reads the timeline from it.
    ///
    /// # Errors
    ///
    /// A missing or unreadable file, a bundle without `content.otio`, names or links that
    /// lead out of a bundle, a timeline of absurd size.
    pub fn open(path: &Path) -> Result<(Bundle, Vec<u8>), Faults> {
        let name = shown_name(path);
        let metadata = fs::metadata(path).map_err(|error| {
            let missing = error.kind() == std::io::ErrorKind::NotFound;
            let what = if missing { "there is no such file".into() } else { said(&error) };
            BadInput::new(&name, "", what, "check the path of the cut")
        })?;
        let bundle = |kind| Bundle { path: path.to_path_buf(), kind };
        if metadata.is_dir() {
            let bytes = folder_content(path, &name)?;
            return Ok((bundle(BundleKind::Folder), bytes));
        }
        let mut file = File::open(path).map_err(|error| unreadable(&name, &error))?;
        let mut magic = [0; 4];
        let is_zip = file.read_exact(&mut magic).is_ok() && &magic[..2] == b"PK";
        let claims_zip =
            path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("otioz"));
        if is_zip || claims_zip {
            return Ok((bundle(BundleKind::Zip), zip_content(path, &name)?));
        }
        let bytes = read_all(path, &name, metadata.len())?;
        Ok((bundle(BundleKind::Plain), bytes))
    }

    /// Returns what the timeline was read from.
    pub fn kind(&self) -> BundleKind {
        self.kind
    }

    /// Returns the path as it was given.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Returns the folder relative URLs start from; a zip bundle has none.
    pub fn base(&self) -> Option<&Path> {
        match self.kind {
            BundleKind::Plain => Some(self.path.parent().unwrap_or(Path::new(""))),
            BundleKind::Folder => Some(&self.path),
            BundleKind::Zip => None,
        }
    }

    /// Returns where the media of a URL lie; whether a file is there is not looked at.
    ///
    /// Reads `file:` URLs, absolute and relative paths, percent-encoded or not. `None` for
    /// other schemes, for names that lead out of a bundle, and for what a zip bundle lacks.
    pub fn resolve(&self, url: &str) -> Option<MediaPlace> {
        let path = local_path(url)?;
        if is_absolute(&path) {
            return Some(MediaPlace::File(path.into()));
        }
        match self.kind {
            BundleKind::Plain => Some(MediaPlace::File(self.base()?.join(&path))),
            BundleKind::Folder => {
                stays_inside(&path).then(|| MediaPlace::File(self.path.join(&path)))
            }
            BundleKind::Zip => self.packed(&path).or_else(|| self.packed(url)),
        }
    }

    fn packed(&self, entry: &str) -> Option<MediaPlace> {
        let entry = entry.strip_prefix("./").unwrap_or(entry);
        let mut archive = ZipArchive::new(File::open(&self.path).ok()?).ok()?;
        let index = archive.index_for_name(entry)?;
        let file = archive.by_index_raw(index).ok()?;
        let stored = file.compression() == zip::CompressionMethod::Stored && !file.encrypted();
        let offset = if stored { file.data_start() } else { None };
        Some(MediaPlace::Packed { entry: entry.to_string(), offset, length: file.size() })
    }

    /// Writes one entry of a zip bundle into `folder` under its own name and returns its
    /// path; a file that is there with the right length is left alone.
    ///
    /// # Errors
    ///
    /// An entry that is missing or broken, or a folder that cannot be written.
    pub fn extract(&self, entry: &str, folder: &Path) -> Result<PathBuf, BadInput> {
        let name = shown_name(&self.path);
        let fault = |what: String| {
            BadInput::new(&name, shown(entry, 200), what, "copy or export the bundle again")
        };
        let file_name = Path::new(entry).file_name().ok_or_else(|| fault("no file name".into()))?;
        let target = folder.join(file_name);
        let mut archive = open_zip(&self.path, &name)?;
        let mut packed = archive.by_name(entry).map_err(|error| fault(error.to_string()))?;
        let length = packed.size();
        if fs::metadata(&target).is_ok_and(|there| there.is_file() && there.len() == length) {
            return Ok(target);
        }
        let write = |packed: &mut dyn Read| -> std::io::Result<u64> {
            fs::create_dir_all(folder)?;
            let mut out = tempfile::NamedTempFile::new_in(folder)?;
            // One byte more than stated tells a bundle that lies about its sizes.
            let written = std::io::copy(&mut packed.take(length.saturating_add(1)), &mut out)?;
            if written == length {
                out.as_file().sync_all()?;
                out.persist(&target)?;
            }
            Ok(written)
        };
        let written = write(&mut packed).map_err(|error| fault(said(&error)))?;
        if written != length {
            return Err(fault(format!("{written} bytes come out where {length} are stated")));
        }
        Ok(target)
    }

    /// Writes a bundle of the same kind with another timeline in it. All else is copied:
    /// the packed bytes of a zip as they are, the files of a folder.
    ///
    /// The target appears when it is whole. A folder that is already there keeps its media
    /// and gets the new timeline; what it lacks is copied.
    ///
    /// # Errors
    ///
    /// What cannot be read or written, as a fault of the target.
    pub fn write(&self, content: &[u8], target: &Path) -> Result<(), BadInput> {
        let done = match self.kind {
            BundleKind::Plain => put_whole(target, content),
            BundleKind::Zip => self.write_zip(content, target),
            BundleKind::Folder => self.write_folder(content, target),
        };
        done.map_err(|error| {
            let remedy = "check that the folder exists, may be written and has room";
            BadInput::new(shown_name(target), "", said(&error), remedy)
        })
    }

    fn write_zip(&self, content: &[u8], target: &Path) -> std::io::Result<()> {
        let mut archive = ZipArchive::new(File::open(&self.path)?)?;
        write_whole(target, |out| {
            let mut zip = zip::ZipWriter::new(out);
            for index in 0..archive.len() {
                let file = archive.by_index_raw(index)?;
                if file.name() != CONTENT {
                    zip.raw_copy_file(file)?;
                    continue;
                }
                let date = file.last_modified().unwrap_or_default();
                let options = zip::write::SimpleFileOptions::default()
                    .last_modified_time(date)
                    .compression_method(zip::CompressionMethod::Deflated);
                zip.start_file(CONTENT, options)?;
                zip.write_all(content)?;
            }
            zip.finish()?;
            Ok(())
        })
    }

    fn write_folder(&self, content: &[u8], target: &Path) -> std::io::Result<()> {
        if target.is_dir() {
            copy_missing(&self.path, target)?;
            return put_whole(&target.join(CONTENT), content);
        }
        let made = part(".platesmith-", 0o777).tempdir_in(folder_of(target))?;
        let inner = made.path().join("bundle");
        fs::create_dir(&inner)?;
        copy_missing(&self.path, &inner)?;
        put_whole(&inner.join(CONTENT), content)?;
        fs::rename(&inner, target)
    }
}

/// Copies all but the timeline from one bundle folder to another; what is there stays.
fn copy_missing(from: &Path, to: &Path) -> std::io::Result<()> {
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        let target = to.join(entry.file_name());
        // Links were checked to stay inside; their targets are copied in their place.
        let metadata = fs::metadata(entry.path())?;
        if metadata.is_dir() && !entry.file_type()?.is_symlink() {
            fs::create_dir_all(&target)?;
            copy_missing(&entry.path(), &target)?;
        } else if metadata.is_file() && entry.file_name() != CONTENT && !target.exists() {
            fs::copy(entry.path(), &target)?;
        }
    }
    Ok(())
}

fn folder_content(path: &Path, name: &str) -> Result<Vec<u8>, Faults> {
    let content = path.join(CONTENT);
    let Ok(metadata) = fs::metadata(&content) else {
        let what = format!("no {CONTENT} inside, so this is not an .otiod bundle");
        return Err(Faults::one(name, "", what, EXPORT_OR_OTIO));
    };
    let mut faults = Vec::new();
    let root = fs::canonicalize(path).map_err(|error| unreadable(name, &error))?;
    links_out(&root, &root, name, &mut faults);
    if !faults.is_empty() {
        return Err(Faults(faults));
    }
    Ok(read_all(&content, name, metadata.len())?)
}

const EXPORT_OR_OTIO: &str = "export the bundle again, or pass the .otio file";

/// Finds links that lead out of a bundle folder.
fn links_out(folder: &Path, root: &Path, name: &str, faults: &mut Vec<BadInput>) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    let mut paths: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
    paths.sort();
    for path in paths {
        let Ok(metadata) = fs::symlink_metadata(&path) else { continue };
        if metadata.is_symlink() {
            if !fs::canonicalize(&path).is_ok_and(|target| target.starts_with(root)) {
                let place = path.strip_prefix(root).unwrap_or(&path).to_string_lossy();
                let what = "a link that leads out of the bundle or nowhere";
                let remedy = "put the media itself into the bundle";
                faults.push(BadInput::new(name, shown(&place, 200), what, remedy));
            }
        } else if metadata.is_dir() {
            links_out(&path, root, name, faults);
        }
    }
}

fn open_zip(path: &Path, name: &str) -> Result<ZipArchive<File>, BadInput> {
    let file = File::open(path).map_err(|error| unreadable(name, &error))?;
    ZipArchive::new(file).map_err(|error| {
        let what = format!("the bundle cannot be opened: {error}");
        BadInput::new(name, "", what, "copy or export the bundle again")
    })
}

fn zip_content(path: &Path, name: &str) -> Result<Vec<u8>, Faults> {
    let mut archive = open_zip(path, name)?;
    let mut faults = Vec::new();
    let mut content = None;
    for index in 0..archive.len() {
        let Ok(file) = archive.by_index_raw(index) else { continue };
        let entry = String::from_utf8_lossy(file.name_raw()).into_owned();
        let is_link = file.unix_mode().is_some_and(|mode| mode & 0o170_000 == 0o120_000);
        let what = if is_link {
            "a link inside the bundle"
        } else if is_absolute(&entry) || !stays_inside(&entry) {
            "a name that leads out of the bundle"
        } else {
            if entry == CONTENT {
                content = Some((index, file.size(), file.compressed_size()));
            }
            continue;
        };
        faults.push(BadInput::new(name, shown(&entry, 200), what, EXPORT_OR_OTIO));
    }
    if !faults.is_empty() {
        return Err(Faults(faults));
    }
    let Some((index, size, packed)) = content else {
        let what = format!("no {CONTENT} inside, so this is not an .otioz bundle");
        return Err(Faults::one(name, "", what, EXPORT_OR_OTIO));
    };
    let absurd = size > SUSPICIOUS.0 && size / packed.max(1) > SUSPICIOUS.1;
    if size > MOST_BYTES || absurd {
        let what = format!("the timeline would grow from {packed} to {size} bytes");
        return Err(Faults::one(name, CONTENT, what, EXPORT_OR_OTIO));
    }
    let broken = |what: String| Faults::one(name, CONTENT, what, "copy or export the bundle again");
    let file = archive.by_index(index).map_err(|error| broken(error.to_string()))?;
    let mut bytes = Vec::with_capacity(usize::try_from(size).unwrap_or(0).min(1 << 28));
    let read = file.take(size.saturating_add(1)).read_to_end(&mut bytes);
    read.map_err(|error| broken(said(&error)))?;
    if bytes.len() as u64 != size {
        return Err(broken(format!("{} bytes come out where {size} are stated", bytes.len())));
    }
    Ok(bytes)
}

fn read_all(path: &Path, name: &str, length: u64) -> Result<Vec<u8>, BadInput> {
    if length > MOST_BYTES {
        let what = format!("the timeline has {length} bytes; at most {MOST_BYTES} are read");
        return Err(BadInput::new(name, "", what, "export the cut in reels"));
    }
    fs::read(path).map_err(|error| unreadable(name, &error))
}

fn unreadable(name: &str, error: &std::io::Error) -> BadInput {
    BadInput::new(name, "", said(error), "check that the file may be read")
}

/// What the system says, without its number.
fn said(error: &std::io::Error) -> String {
    let text = error.to_string();
    text.split(" (os error").next().unwrap_or_default().to_lowercase()
}

/// Returns the path a URL names on this machine; `None` for schemes other than `file`.
fn local_path(url: &str) -> Option<String> {
    let decoded = |text: &str| percent_decode_str(text).decode_utf8_lossy().into_owned();
    let Some((scheme, rest)) = url.split_once(':') else { return Some(decoded(url)) };
    let is_scheme = scheme.len() > 1
        && scheme.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'+' | b'-' | b'.'));
    if !is_scheme {
        return Some(decoded(url));
    }
    if !scheme.eq_ignore_ascii_case("file") {
        return None;
    }
    let path = match rest.strip_prefix("//") {
        Some(after) => &after[after.find('/')?..],
        None => rest,
    };
    Some(decoded(path))
}

/// Tells whether a path is absolute, here or on a system with drive letters.
fn is_absolute(path: &str) -> bool {
    let bytes = path.as_bytes();
    matches!(bytes, [b'/' | b'\\', ..] | [b'A'..=b'Z' | b'a'..=b'z', b':', ..])
}

fn stays_inside(path: &str) -> bool {
    let path = path.replace('\\', "/");
    let only_down = |part| matches!(part, Component::Normal(_) | Component::CurDir);
    !path.is_empty() && Path::new(&path).components().all(only_down)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn urls_become_paths() {
        for (url, path) in [
            ("file:///media/a%20b.mov", Some("/media/a b.mov")),
            ("file://localhost/media/a.mov", Some("/media/a.mov")),
            ("file:media/a.mov", Some("media/a.mov")),
            ("/media/a.mov", Some("/media/a.mov")),
            ("media/a#1.mov", Some("media/a#1.mov")),
            ("C:\\media\\a.mov", Some("C:\\media\\a.mov")),
            ("https://example.com/a.mov", None),
            ("file://host", None),
        ] {
            assert_eq!(local_path(url).as_deref(), path, "{url}");
        }
    }

    #[test]
    fn names_that_lead_out_are_known() {
        for out in ["../a", "a/../../b", "..\\a", "a/..", ""] {
            assert!(!stays_inside(out), "{out}");
        }
        assert!(stays_inside("media/two with space.mov") && stays_inside("./a"));
    }
}
