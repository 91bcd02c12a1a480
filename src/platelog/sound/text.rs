//! From the bytes of a chunk to text, whatever wrote them.

use encoding_rs::{Encoding, WINDOWS_1252};

/// Reads text without a declaration: UTF-8, else the usual eight-bit letters.
pub fn plain(bytes: &[u8]) -> String {
    match std::str::from_utf8(bytes) {
        Ok(text) => text.to_string(),
        Err(_) => WINDOWS_1252.decode_without_bom_handling(bytes).0.into_owned(),
    }
}

/// Reads the text of an XML document: by its byte order mark, by the zeros of UTF-16, by the
/// encoding it declares, else as [`plain`]. Zeros are padding and left out.
///
/// Source: Extensible Markup Language (XML) 1.0, appendix F.
pub fn of_xml(bytes: &[u8]) -> String {
    let marked = Encoding::for_bom(bytes).map(|(encoding, _)| encoding);
    let unmarked = || match bytes {
        [b'<', 0, ..] => Some(encoding_rs::UTF_16LE),
        [0, b'<', ..] => Some(encoding_rs::UTF_16BE),
        _ => declared(bytes),
    };
    let text = match marked.or_else(unmarked) {
        Some(encoding) if encoding != encoding_rs::UTF_8 => encoding.decode(bytes).0.into_owned(),
        _ => plain(bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes)),
    };
    if text.contains('\0') { text.replace('\0', "") } else { text }
}

/// The encoding the document's first line names. A document that can be read as far as that
/// line is not in 16 bits, whatever it says.
fn declared(bytes: &[u8]) -> Option<&'static Encoding> {
    let head = String::from_utf8_lossy(bytes.get(..bytes.len().min(200))?).into_owned();
    let (line, _) = head.split_once("?>")?;
    let (_, value) = line.split_once("encoding")?;
    let value = value.trim_start().strip_prefix('=')?.trim_start();
    let quote = value.chars().next().filter(|quote| matches!(quote, '"' | '\''))?;
    let name = value.get(1..)?.split(quote).next()?;
    Encoding::for_label(name.as_bytes()).filter(|encoding| encoding.is_ascii_compatible())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn documents_are_read_in_the_encoding_they_declare_or_carry() {
        let text = "<?xml version=\"1.0\" encoding=\"UTF-16\"?><NOTE>caf\u{e9}</NOTE>";
        let wide: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        assert_eq!(of_xml(&wide), text);
        assert_eq!(of_xml(&[b"\xFF\xFE".as_slice(), &wide].concat()), text);
        let latin = b"<?xml version='1.0' encoding='ISO-8859-1'?><NOTE>caf\xE9</NOTE>";
        assert!(of_xml(latin).ends_with("<NOTE>caf\u{e9}</NOTE>"));
        assert_eq!(of_xml(b"<NOTE>caf\xE9</NOTE>\0\0"), "<NOTE>caf\u{e9}</NOTE>");
        // Declared as 16 bits and written in eight.
        assert!(of_xml(text.as_bytes()).ends_with("caf\u{e9}</NOTE>"));
    }
}
