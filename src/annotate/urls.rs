//! Media URLs in the input's style. Percent-encoded absolute `file:///` and relative paths
//! are read most widely by hosts; `file://localhost` and `file:name` are not and are never
//! written (observed in readers' code).

use crate::timeline::json::Node;
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, percent_encode};
use std::path::{Component, Path, PathBuf};

/// Everything but the unreserved characters of RFC 3986 and the slash.
const IN_PATH: &AsciiSet =
    &NON_ALPHANUMERIC.remove(b'-').remove(b'.').remove(b'_').remove(b'~').remove(b'/');

/// What the media URLs of a file look like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum UrlStyle {
    /// `file:///shows/one%20two/a.mov` (RFC 8089).
    FileUrl,
    /// `/shows/one two/a.mov`.
    PlainPath,
    /// `../media/a.mov`, seen from the timeline's folder.
    Relative {
        /// Tells whether blanks and the like are percent-encoded in it.
        encoded: bool,
    },
}

/// Counts the URLs of a file by style.
#[derive(Debug, Default)]
pub(super) struct Tally {
    file_urls: usize,
    plain: usize,
    relative: usize,
    encoded: usize,
}

impl Tally {
    /// Counts one URL; empty ones and those of other schemes do not count.
    pub fn count(&mut self, url: Option<Node<'_>>) {
        let Some(url) = url.and_then(Node::text) else { return };
        let bytes = url.as_bytes();
        if bytes.len() >= 5 && bytes[..5].eq_ignore_ascii_case(b"file:") {
            self.file_urls += 1;
        } else if matches!(bytes.first(), Some(b'/' | b'\\')) || has_drive(bytes) {
            self.plain += 1;
        } else if is_relative(&url) {
            self.relative += 1;
            self.encoded += usize::from(has_escape(bytes));
        }
    }

    /// Returns the style most URLs have; of equals the most widely read.
    pub fn style(&self) -> UrlStyle {
        let most = self.file_urls.max(self.plain).max(self.relative);
        if self.file_urls == most {
            UrlStyle::FileUrl
        } else if self.relative == most {
            UrlStyle::Relative { encoded: self.encoded > 0 }
        } else {
            UrlStyle::PlainPath
        }
    }
}

/// Tells whether an address starts at the folder of the file it stands in.
pub(super) fn is_relative(url: &str) -> bool {
    !url.is_empty()
        && !url.starts_with(['/', '\\'])
        && !has_drive(url.as_bytes())
        && !has_scheme(url)
}

fn has_drive(url: &[u8]) -> bool {
    matches!(url, [letter, b':', _, ..] if letter.is_ascii_alphabetic())
}

fn has_scheme(url: &str) -> bool {
    // RFC 3986, 3.1.
    url.split_once(':').is_some_and(|(scheme, _)| {
        scheme.starts_with(|letter: char| letter.is_ascii_alphabetic())
            && scheme.bytes().all(|b| b.is_ascii_alphanumeric() || b"+-.".contains(&b))
    })
}

pub(super) fn has_escape(bytes: &[u8]) -> bool {
    bytes.windows(3).any(|three| three[0] == b'%' && three[1..].iter().all(u8::is_ascii_hexdigit))
}

/// Writes the URL of a path; `folder` is where relative URLs start.
///
/// A relative path is written as it is. A path that cannot be seen from `folder` is written
/// as `file:///`.
pub(super) fn url(style: UrlStyle, path: &Path, folder: Option<&Path>) -> String {
    if path.is_relative() {
        return match style {
            UrlStyle::Relative { encoded: true } => encoded(path),
            _ => slashed(path),
        };
    }
    match style {
        UrlStyle::FileUrl => file_url(path),
        UrlStyle::PlainPath => path.to_string_lossy().into_owned(),
        UrlStyle::Relative { encoded: escapes } => match folder.and_then(|f| seen_from(path, f)) {
            Some(relative) if escapes => encoded(&relative),
            Some(relative) => slashed(&relative),
            None => file_url(path),
        },
    }
}

/// Writes the URL of a folder, with a slash at the end.
pub(super) fn folder_url(style: UrlStyle, path: &Path, folder: Option<&Path>) -> String {
    let url = url(style, path, folder);
    if url.is_empty() || url.ends_with('/') { url } else { url + "/" }
}

fn file_url(path: &Path) -> String {
    if !cfg!(windows) {
        return format!("file://{}", encoded(path));
    }
    let text = slashed(path);
    if let Some(server) = text.strip_prefix("//") {
        return format!("file://{}", percent_encode(server.as_bytes(), IN_PATH));
    }
    let (drive, rest) = text.split_at(text.find(':').map_or(0, |at| at + 1));
    format!("file:///{drive}{}", percent_encode(rest.as_bytes(), IN_PATH))
}

fn slashed(path: &Path) -> String {
    let text = path.to_string_lossy();
    if cfg!(windows) { text.replace('\\', "/") } else { text.into_owned() }
}

#[cfg(unix)]
fn encoded(path: &Path) -> String {
    // A path may hold bytes that are no UTF-8; they survive only this way.
    use std::os::unix::ffi::OsStrExt;
    percent_encode(path.as_os_str().as_bytes(), IN_PATH).to_string()
}

#[cfg(not(unix))]
fn encoded(path: &Path) -> String {
    percent_encode(slashed(path).as_bytes(), IN_PATH).to_string()
}

/// Returns an absolute path as seen from a folder, by name alone; `None` if they share no
/// root.
pub(super) fn seen_from(path: &Path, folder: &Path) -> Option<PathBuf> {
    if folder.is_relative() {
        return None;
    }
    let (path, folder) = (plain_steps(path), plain_steps(folder));
    let shared = path.iter().zip(&folder).take_while(|(a, b)| a == b).count();
    if shared == 0 {
        return None;
    }
    let up = folder[shared..].iter().map(|_| Component::ParentDir);
    Some(up.chain(path[shared..].iter().copied()).collect())
}

fn plain_steps(path: &Path) -> Vec<Component<'_>> {
    path.components().filter(|step| *step != Component::CurDir).collect()
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn a_file_url_encodes_all_but_the_unreserved() {
        // RFC 8089 with the unreserved set of RFC 3986, 2.3.
        let url = |path: &str| url(UrlStyle::FileUrl, Path::new(path), None);
        assert_eq!(url("/a b/ü#1?%.mov"), "file:///a%20b/%C3%BC%231%3F%25.mov");
        assert_eq!(url("/x/A-1_2~.mov"), "file:///x/A-1_2~.mov");
    }

    #[test]
    fn relative_paths_start_at_the_timeline() {
        let from = |path: &str, folder: &str| {
            let style = UrlStyle::Relative { encoded: false };
            url(style, Path::new(path), Some(Path::new(folder)))
        };
        assert_eq!(from("/show/out/plates/a b.mov", "/show/out"), "plates/a b.mov");
        assert_eq!(from("/show/plates/a.mov", "/show/out/x"), "../../plates/a.mov");
        assert_eq!(from("/show/plates/a.mov", "out"), "file:///show/plates/a.mov");
        let encoded = UrlStyle::Relative { encoded: true };
        assert_eq!(url(encoded, Path::new("/o/a b.mov"), Some(Path::new("/o"))), "a%20b.mov");
    }

    #[test]
    fn plain_paths_stay_plain() {
        assert_eq!(url(UrlStyle::PlainPath, Path::new("/a b/c.mov"), None), "/a b/c.mov");
        assert_eq!(folder_url(UrlStyle::FileUrl, Path::new("/a b"), None), "file:///a%20b/");
        assert_eq!(folder_url(UrlStyle::FileUrl, Path::new("/"), None), "file:///");
    }
}
