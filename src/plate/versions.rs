//! Names of plates and their versions. A delivered version is never rewritten.

use std::collections::BTreeMap;
use std::path::Path;

/// Returns a text as it may stand in a file name: `_` for anything outside `[A-Za-z0-9._-]`.
///
/// A name never begins with a dot and is never empty, so that it is neither hidden nor a
/// way out of its folder.
///
/// ```
/// # use platesmith::plate::sanitised;
/// assert_eq!(sanitised("QLN 010/0010"), "QLN_010_0010");
/// assert_eq!(sanitised(".."), "_.");
/// ```
pub fn sanitised(text: &str) -> String {
    let mut name: String = text
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '_' })
        .collect();
    if name.is_empty() {
        name.push('_');
    }
    if name.starts_with('.') {
        name.replace_range(..1, "_");
    }
    name
}

/// Gives names that are used already a number: the second `A` becomes `A_2`.
///
/// Letters that differ only in case count as the same: some disks do not tell them apart.
#[derive(Debug, Clone, Default)]
pub struct Names {
    taken: BTreeMap<String, u32>,
}

impl Names {
    /// Returns `name`, or `name_2`, `name_3` and so on if it was given out before.
    pub fn give(&mut self, name: &str) -> String {
        let key = name.to_ascii_lowercase();
        let mut count = self.taken.get(&key).copied().unwrap_or(0);
        let given = loop {
            count += 1;
            let given = if count == 1 { name.to_owned() } else { format!("{name}_{count}") };
            if count == 1 || !self.taken.contains_key(&given.to_ascii_lowercase()) {
                break given;
            }
        };
        self.taken.insert(key, count);
        self.taken.entry(given.to_ascii_lowercase()).or_insert(1);
        given
    }
}

/// Returns the name of a version: `SHOT_CP01_v001`.
pub fn version_name(stem: &str, version: u32) -> String {
    format!("{stem}_v{version:03}")
}

/// Returns the highest version of `stem` in a folder, whatever its extension; 0 if none.
///
/// A folder that cannot be read holds none; writing to it will say why.
pub fn latest_version(folder: &Path, stem: &str) -> u32 {
    let Ok(entries) = std::fs::read_dir(folder) else { return 0 };
    entries
        .filter_map(|entry| version_of(entry.ok()?.file_name().to_str()?, stem))
        .max()
        .unwrap_or(0)
}

/// Returns the version number in a file name of `stem`, if it is one.
fn version_of(file: &str, stem: &str) -> Option<u32> {
    let rest = file.strip_prefix(stem)?.strip_prefix("_v")?;
    let digits = rest.split(|c: char| !c.is_ascii_digit()).next()?;
    let after = rest.get(digits.len()..)?;
    let ends = after.is_empty() || after.starts_with('.') || after.starts_with('_');
    if digits.len() >= 3 && ends { digits.parse().ok() } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_meet_are_numbered() {
        let mut names = Names::default();
        let given: Vec<String> =
            ["A", "A", "a", "B", "A_2", "A"].iter().map(|name| names.give(name)).collect();
        assert_eq!(given, ["A", "A_2", "a_3", "B", "A_2_2", "A_4"]);
    }

    #[test]
    fn versions_are_read_from_names() {
        for (file, version) in [
            ("S_CP01_v001.mov", Some(1)),
            ("S_CP01_v012", Some(12)),
            ("S_CP01_v002_record.mov", Some(2)),
            ("S_CP01_v1000.mov", Some(1000)),
            ("S_CP01_v001x.mov", None),
            ("S_CP011_v001.mov", None),
            ("S_CP01_v01.mov", None),
            ("S_CP01_v99999999999.mov", None),
        ] {
            assert_eq!(version_of(file, "S_CP01"), version, "{file}");
        }
        assert_eq!(version_name("S_CP01", 3), "S_CP01_v003");
    }

    #[test]
    fn a_name_cannot_leave_its_folder() {
        assert_eq!(sanitised("../up"), "_._up");
        assert_eq!(sanitised(""), "_");
        assert_eq!(sanitised("Größe"), "Gr__e");
    }
}
