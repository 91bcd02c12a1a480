//! Relative media addresses, told from another folder.

use super::notes::{self, Mark};
use super::urls::{self, UrlStyle};
use super::walk;
use crate::timeline::json::{Document, Node, NodeId};
use serde_json::Value;
use std::path::{Component, Path, PathBuf};

/// Rewrites every relative media address that starts at folder `from` so that it starts at
/// folder `to` and names the same file; both are absolute and without links.
///
/// A relative address says nothing by itself: it starts at the folder of the file it stands in
/// (RFC 3986, 5.1.3). A timeline may have been moved or copied away from its media, though: where
/// `is_there` says of no address that something lies at it, all stay as read. Plate clips of ours
/// are passed over: they start at `to` already. Returns how many were rewritten.
///
/// ```text
///   from /show/cuts, to /show/turnover    media/A001.mov      ../cuts/media/A001.mov
///                                         ../rushes/A001.mov  ../rushes/A001.mov
/// ```
pub fn rebase_media(
    document: &mut Document,
    from: &Path,
    to: &Path,
    is_there: impl Fn(&str) -> bool,
) -> usize {
    if from == to || from.is_relative() || to.is_relative() {
        return 0;
    }
    let found = relative(document.root());
    // Steps up and the timeline's own folder are always there.
    let names_something = |url: &str| !url.split('/').all(|step| matches!(step, "" | "." | ".."));
    if !found.iter().any(|(_, url)| names_something(url) && is_there(url)) {
        return 0;
    }
    let escapes = found.iter().any(|(_, url)| urls::has_escape(url.as_bytes()));
    let edits: Vec<(NodeId, String)> = found
        .into_iter()
        .filter_map(|(id, url)| Some((id, moved(&url, from, to, escapes)?)).filter(|e| e.1 != url))
        .collect();
    let count = edits.len();
    edits.into_iter().for_each(|(id, url)| document.replace(id, Value::from(url)));
    count
}

/// Every relative address of media that are not ours.
fn relative(root: Node<'_>) -> Vec<(NodeId, String)> {
    let mut found = Vec::new();
    walk::parts_where(root, |node| {
        let url = match walk::schema(node).as_deref() {
            Some("ExternalReference") => node.get("target_url"),
            // Without a folder of their own, images lie beside the timeline.
            Some("ImageSequenceReference") => node.get("target_url_base"),
            Some("Clip") => return !notes::on(node).is_some_and(|n| notes::says(n, Mark::Plate)),
            _ => return true,
        };
        let beside = walk::schema(node).as_deref() == Some("ImageSequenceReference");
        if let Some((url, text)) = url.and_then(|url| Some((url, url.text()?.into_owned())))
            && (urls::is_relative(&text) || text.is_empty() && beside)
        {
            found.push((url.id(), text));
        }
        true
    });
    found
}

/// Writes an address anew; `None` if the two folders share no root.
fn moved(url: &str, from: &Path, to: &Path, escapes: bool) -> Option<String> {
    let mut base = from.to_path_buf();
    let mut rest = url;
    // What leads up is taken from the folder, so that the address stays short.
    while let Some((step, after)) = rest.split_once('/') {
        match step {
            "." | "" => {}
            ".." if base.parent().is_some() => _ = base.pop(),
            _ => break,
        }
        rest = after;
    }
    let way = urls::seen_from(&base, to)?;
    let way = joined(&way);
    // A folder's name may look like an escape and would be read as one.
    let escapes = escapes || urls::has_escape(way.to_string_lossy().as_bytes());
    let way = urls::url(UrlStyle::Relative { encoded: escapes }, &way, None);
    Some(if way.is_empty() { rest.to_string() } else { format!("{way}/{rest}") })
}

fn joined(way: &Path) -> PathBuf {
    way.components().filter(|step| *step != Component::CurDir).collect()
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use serde_json::json;

    fn told(url: &str, from: &str, to: &str) -> String {
        moved(url, Path::new(from), Path::new(to), url.contains('%')).expect("one root")
    }

    #[test]
    fn an_address_names_the_same_file_from_elsewhere() {
        // Counted by hand after RFC 3986, 5.2.
        assert_eq!(told("media/a.mov", "/show", "/show/out"), "../media/a.mov");
        assert_eq!(told("media/a.mov", "/show/cuts", "/show/out"), "../cuts/media/a.mov");
        assert_eq!(told("../rushes/a.mov", "/show/cuts", "/show/out"), "../rushes/a.mov");
        assert_eq!(told("./a.mov", "/show/out/x", "/show/out"), "x/a.mov");
        assert_eq!(told("../a.mov", "/show/out/x", "/show/out"), "a.mov");
        assert_eq!(told("a%20b.mov", "/my show", "/out"), "../my%20show/a%20b.mov");
        assert_eq!(told("a.mov", "/my show", "/out"), "../my show/a.mov");
        assert_eq!(told("a.mov", "/100%25", "/out"), "../100%2525/a.mov");
        assert_eq!(told("", "/show/images", "/show"), "images/");
        assert_eq!(told("../../../a.mov", "/x", "/x/y"), "../../../../a.mov");
    }

    #[test]
    fn only_relative_addresses_change_and_ours_start_there_already() {
        let clip = |url: &str, note: Value| {
            json!({"OTIO_SCHEMA": "Clip.2", "metadata": note, "media_references":
                {"a": {"OTIO_SCHEMA": "ExternalReference.1", "target_url": url,
                    "metadata": {"OTIO_SCHEMA": "ExternalReference.1", "target_url": "host.mov"}},
                 "b": {"OTIO_SCHEMA": "ImageSequenceReference.1", "target_url_base": ""}}})
        };
        let track = |first: &str, images: &str| {
            let mut clips = vec![clip(first, json!({}))];
            clips[0]["media_references"]["b"]["target_url_base"] = json!(images);
            for same in ["", "/x/a.mov", "file:///x/a.mov", "https://example.com/a.mov", "C:/a.mov"]
            {
                clips.push(clip(same, json!({})));
                clips.last_mut().expect("one")["media_references"]["b"]["target_url_base"] =
                    json!(images);
            }
            clips.push(clip("plates/p.mov", json!({"platesmith": {"mark": "plate"}})));
            json!({"OTIO_SCHEMA": "Track.1", "children": clips})
        };
        let read =
            |value: Value| Document::parse("cut", value.to_string().into_bytes()).expect("JSON");
        let mut document = read(track("a.mov", ""));
        let [x, y] = ["/x", "/y"].map(Path::new);
        assert_eq!(rebase_media(&mut document, x, y, |_| false), 0);
        assert_eq!(rebase_media(&mut document, x, y, |url| url == "a.mov"), 7);
        let wanted = read(track("../x/a.mov", "../x/"));
        let (written, wanted) = (document.write(), wanted.write());
        assert_eq!(String::from_utf8_lossy(&written), String::from_utf8_lossy(&wanted));
        let mut same = read(track("a.mov", ""));
        assert_eq!(rebase_media(&mut same, x, x, |_| true), 0);
    }
}
