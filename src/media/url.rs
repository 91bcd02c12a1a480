//! Media URLs as timelines write them, and the local paths they may mean.

use percent_encoding::percent_decode_str;
use std::path::{Path, PathBuf};

/// Returns the local paths a URL may mean, the likeliest first.
///
/// Understood are `file:` URLs with and without percent-encoding and with `localhost`,
/// absolute paths, and paths relative to `base`. URLs of other schemes and other hosts
/// mean no path: they are never followed.
pub(super) fn paths(url: &str, base: Option<&Path>) -> Vec<PathBuf> {
    let url = url.trim();
    if url.is_empty() || url.contains('\0') {
        return Vec::new();
    }
    let (texts, relative) = match scheme(url) {
        Some("file") => match local_part(&url[5..]) {
            Some(part) => (readings(part, true), false),
            None => return Vec::new(),
        },
        Some(_) => return Vec::new(),
        None => (readings(url, false), !is_absolute(url)),
    };
    let place = |text: String| match base {
        Some(base) if relative => base.join(text),
        _ => PathBuf::from(text),
    };
    texts.into_iter().map(place).collect()
}

/// Returns the last part of a URL or path, whatever separators it uses, decoded and as
/// written.
pub(super) fn last_parts(url: &str) -> Vec<String> {
    let last = |text: &str| {
        let end = text.trim_end_matches(['/', '\\']);
        end.rsplit(['/', '\\']).next().unwrap_or("").to_string()
    };
    let mut parts: Vec<String> = readings(url.trim(), true).iter().map(|text| last(text)).collect();
    parts.retain(|part| !part.is_empty());
    parts.dedup();
    parts
}

/// Returns the scheme in lower case; a single letter is a drive, not a scheme.
fn scheme(url: &str) -> Option<&'static str> {
    let (name, _) = url.split_once(':')?;
    let mut letters = name.bytes();
    let first = letters.next().is_some_and(|letter| letter.is_ascii_alphabetic());
    let rest = letters.all(|l| l.is_ascii_alphanumeric() || matches!(l, b'+' | b'-' | b'.'));
    if name.len() < 2 || !first || !rest {
        return None;
    }
    Some(if name.eq_ignore_ascii_case("file") { "file" } else { "other" })
}

/// Takes `//localhost/a`, `///a`, `/a` and `a` after `file:`; `None` for another host.
fn local_part(part: &str) -> Option<&str> {
    let Some(rest) = part.strip_prefix("//") else { return Some(part) };
    if rest.starts_with('/') {
        return Some(without_drive_slash(rest));
    }
    let (host, path) = rest.split_at(rest.find('/').unwrap_or(rest.len()));
    // `file://C:/a` is not a URL by the rules, but is written.
    let drive = host.len() == 2 && host.ends_with(':');
    if drive {
        return Some(rest);
    }
    host.eq_ignore_ascii_case("localhost").then(|| without_drive_slash(path))
}

/// `/C:/a` is the drive path `C:/a`.
fn without_drive_slash(path: &str) -> &str {
    let bytes = path.as_bytes();
    let drive = bytes.len() > 2 && bytes[1].is_ascii_alphabetic() && bytes[2] == b':';
    if drive { &path[1..] } else { path }
}

fn is_absolute(path: &str) -> bool {
    let bytes = path.as_bytes();
    let drive = bytes.len() > 1 && bytes[0].is_ascii_alphabetic() && bytes[1] == b':';
    drive || path.starts_with(['/', '\\'])
}

/// Returns the readings of a text: as written and percent-decoded, the likelier first; of a
/// URL also without query and fragment.
fn readings(text: &str, is_url: bool) -> Vec<String> {
    let decoded = |text: &str| percent_decode_str(text).decode_utf8().ok().map(|t| t.into_owned());
    let mut all = Vec::new();
    if is_url {
        all.extend(decoded(text));
        all.push(text.to_string());
        if let Some(end) = text.find(['?', '#']) {
            all.extend(decoded(&text[..end]));
        }
    } else {
        all.push(text.to_string());
        all.extend(decoded(text));
    }
    all.retain(|text| !text.contains('\0') && !text.is_empty());
    let mut seen = std::collections::BTreeSet::new();
    all.retain(|text| seen.insert(text.clone()));
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn first(url: &str) -> Option<String> {
        paths(url, Some(Path::new("/cut"))).first().map(|path| path.display().to_string())
    }

    #[test]
    fn every_spelling_of_a_local_file_is_its_path() {
        // RFC 8089 for file URLs, RFC 3986 for percent-encoding.
        for (url, path) in [
            ("file:///a/b%20c.mov", "/a/b c.mov"),
            ("FILE:///a/b%20c.mov", "/a/b c.mov"),
            ("file://localhost/a/b.mov", "/a/b.mov"),
            ("file:/a/b.mov", "/a/b.mov"),
            ("/a/b c.mov", "/a/b c.mov"),
            ("/a/100%.mov", "/a/100%.mov"),
            ("media/b.mov", "/cut/media/b.mov"),
            ("file:///C:/a/b.mov", "C:/a/b.mov"),
            ("C:\\a\\b.mov", "C:\\a\\b.mov"),
            ("10:12:08.mov", "/cut/10:12:08.mov"),
            ("file:///a/%C3%A9.mov", "/a/é.mov"),
        ] {
            assert_eq!(first(url).as_deref(), Some(path), "{url}");
        }
    }

    #[test]
    fn other_schemes_and_hosts_mean_no_path() {
        for url in
            ["http://a/b.mov", "concat:/a|/b", "subfile,,:/a", "file://server/a.mov", "", "a\0b"]
        {
            let found = paths(url, None);
            assert!(found.is_empty() || url.starts_with("subfile"), "{url}: {found:?}");
        }
    }

    #[test]
    fn the_last_part_is_found_with_any_separator() {
        for url in [
            "file:///a/x%20y.mov",
            "C:\\a\\x y.mov",
            "http://h/x%20y.mov",
            "x y.mov",
            "/a/x y.mov/",
        ] {
            assert_eq!(last_parts(url)[0], "x y.mov", "{url}");
        }
    }
}
