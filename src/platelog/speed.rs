//! Timecode rates as recorders and their reports write them: `24000/1001`, `023.976-ND`,
//! `29.97 DF`, `25ND`, `23.97 ND`.

use crate::time::Rate;

/// Fastest timecode a recorder counts; ours, far above any.
const FASTEST: u32 = 240;

/// Reads a rate, and whether it counts drop-frame if the text says so.
pub(super) fn speed(text: &str) -> Option<(Rate, Option<bool>)> {
    let text = text.trim();
    let end = text
        .find(|letter: char| !(letter.is_ascii_digit() || matches!(letter, '.' | '/' | ',')))
        .unwrap_or(text.len());
    let (number, flag) = text.split_at(end);
    let rate = match number.replace(',', ".").trim_start_matches('0') {
        // Cut off, not rounded: nearer to no other rate.
        "23.97" => Rate::new(24000, 1001),
        "47.95" => Rate::new(48000, 1001),
        number => Rate::parse(number),
    };
    let rate = rate.filter(|rate| rate.nominal() <= FASTEST && rate.num() >= rate.den())?;
    Some((rate, drops(flag)))
}

/// Reads `DF`, `NDF`, `ND`, `D`, whatever stands around it.
pub(super) fn drops(flag: &str) -> Option<bool> {
    let letters: String =
        flag.chars().filter(char::is_ascii_alphabetic).collect::<String>().to_uppercase();
    let letters = letters.strip_prefix("FPS").unwrap_or(&letters);
    match letters {
        "ND" | "NDF" | "N" | "NONDROP" | "NONDROPFRAME" => Some(false),
        "D" | "DF" | "DROP" | "DROPFRAME" => Some(true),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_are_read_as_recorders_write_them() {
        for (text, rate, drop) in [
            ("24000/1001", "24000/1001", None),
            ("023.976-ND", "24000/1001", Some(false)),
            ("23.97 ND", "24000/1001", Some(false)),
            ("25.000ND", "25", Some(false)),
            ("25 ND", "25", Some(false)),
            ("29.97 DF", "30000/1001", Some(true)),
            ("029.970-DF", "30000/1001", Some(true)),
            ("25/1", "25", None),
            ("59.94 fps drop", "60000/1001", Some(true)),
        ] {
            let read = speed(text).map(|(rate, drop)| (rate.to_string(), drop));
            assert_eq!(read, Some((rate.to_string(), drop)), "{text}");
        }
        for text in ["", "ND", "0", "0/0", "25/0", "99999999999/1", "4294967295", "1/1000", "-25"] {
            assert_eq!(speed(text), None, "{text}");
        }
    }
}
