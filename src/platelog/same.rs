//! When two ways of writing a name, a take or a date mean the same.

/// Compares names without case and outer blanks.
pub(super) fn name(text: &str) -> String {
    text.trim().to_lowercase()
}

/// Writes a take as takes compare: without case, blanks, leading zeros or the word itself.
///
/// ```
/// # use platesmith::platelog::take_key;
/// assert_eq!(take_key("001"), take_key("Take 1"));
/// assert_eq!(take_key("3 PU"), "3pu");
/// assert_ne!(take_key("10"), take_key("1"));
/// ```
pub fn take_key(take: &str) -> String {
    let lower: String = take
        .chars()
        .filter(|letter| letter.is_alphanumeric())
        .flat_map(char::to_lowercase)
        .collect();
    let lower = pick_up_last(lower);
    let bare = ["take", "tk", "t"]
        .iter()
        .find_map(|word| {
            lower.strip_prefix(word).filter(|rest| rest.starts_with(|l: char| l.is_ascii_digit()))
        })
        .unwrap_or(&lower);
    let trimmed = bare.trim_start_matches('0');
    if trimmed.starts_with(|letter: char| letter.is_ascii_digit()) || bare == trimmed {
        trimmed.to_string()
    } else {
        // Nothing but zeros before the rest: one of them is the number.
        format!("0{trimmed}")
    }
}

/// Writes pick-ups and series behind the number, in their short form: `PU 3`, `3 pickup` and
/// `3PU` are one. Common practice, no source.
fn pick_up_last(take: String) -> String {
    for (word, short) in
        [("pickup", "pu"), ("pick", "pu"), ("pu", "pu"), ("series", "ser"), ("ser", "ser")]
    {
        let digits = |rest: &str| !rest.is_empty() && rest.bytes().all(|b| b.is_ascii_digit());
        if let Some(number) = take.strip_prefix(word).filter(|rest| digits(rest)) {
            return format!("{number}{short}");
        }
        if let Some(number) = take.strip_suffix(word).filter(|rest| digits(rest)) {
            return format!("{number}{short}");
        }
    }
    take
}

/// Tells whether two names are one but for case and outer blanks.
pub(super) fn same_name(a: &str, b: &str) -> bool {
    // Letter by letter: this runs for each pair of records that share a name.
    a.trim().chars().flat_map(char::to_lowercase).eq(b.trim().chars().flat_map(char::to_lowercase))
}

/// Tells whether two dates can be the same day, however each is written; `None` if either
/// cannot be read as a date.
///
/// ```
/// # use platesmith::platelog::dates_agree;
/// assert_eq!(dates_agree("2031-02-03", "03/02/2031"), Some(true));
/// assert_eq!(dates_agree("310203", "20310204"), Some(false));
/// assert_eq!(dates_agree("Day 4", "2031-02-03"), None);
/// ```
pub fn dates_agree(a: &str, b: &str) -> Option<bool> {
    let (a, b) = (days(a), days(b));
    if a.is_empty() || b.is_empty() {
        return None;
    }
    Some(a.iter().any(|day| b.contains(day)))
}

/// Returns every day (year, month, day) a text may mean; a time of day after it is ignored.
fn days(text: &str) -> Vec<(u32, u32, u32)> {
    let text = text.trim();
    let date = text.split(['T', ' ']).next().unwrap_or_default();
    let fields: Vec<&str> = date.split(['-', '/', '.', '_', ':']).collect();
    if fields.iter().any(|field| field.is_empty() || !field.bytes().all(|b| b.is_ascii_digit())) {
        return Vec::new();
    }
    let year = |text: &str| match (text.len(), text.parse::<u32>()) {
        (4, Ok(year)) => Some(year),
        // Cameras write two digits of the year; common practice, no source.
        (2, Ok(year)) => Some(2000 + year),
        _ => None,
    };
    let number = |text: &str| text.parse::<u32>().ok().filter(|_| text.len() <= 2);
    let mut read = Vec::new();
    let mut add = |y: Option<u32>, m: Option<u32>, d: Option<u32>| {
        if let (Some(y), Some(m @ 1..=12), Some(d @ 1..=31)) = (y, m, d)
            && !read.contains(&(y, m, d))
        {
            read.push((y, m, d));
        }
    };
    match fields.as_slice() {
        [all] if all.len() == 8 => add(year(&all[..4]), number(&all[4..6]), number(&all[6..])),
        [all] if all.len() == 6 => add(year(&all[..2]), number(&all[2..4]), number(&all[4..])),
        [a, b, c] if a.len() == 4 => add(year(a), number(b), number(c)),
        [a, b, c] => {
            add(year(c), number(b), number(a));
            add(year(c), number(a), number(b));
            if c.len() == 2 && a.len() == 2 {
                add(year(a), number(b), number(c));
            }
        }
        _ => {}
    }
    read
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn takes_compare_without_leading_zeros() {
        for (a, b) in [("01", "1"), ("001", "1"), ("T3", "3"), ("0", "00"), ("3-PU", "03 pu")] {
            assert_eq!(take_key(a), take_key(b), "{a} {b}");
        }
        for take in ["3PU", "3 pick-up", "PU3", "003 Pickup"] {
            assert_eq!(take_key(take), "3pu", "{take}");
        }
        assert_eq!(take_key("SER 2"), take_key("2 series"));
        assert_ne!(take_key("WT1"), take_key("1"));
        assert_eq!(take_key("tail"), "tail");
    }

    #[test]
    fn dates_are_read_in_every_order_they_may_mean() {
        assert_eq!(days("2031-02-03"), [(2031, 2, 3)]);
        assert_eq!(days("20310203"), days("310203"));
        assert!(days("03/02/2031").contains(&(2031, 2, 3)));
        assert!(days("02/03/31").contains(&(2031, 2, 3)));
        assert_eq!(days("2031-02-03T10:00:00"), [(2031, 2, 3)]);
        assert!(days("Day 4").is_empty() && days("").is_empty() && days("31").is_empty());
    }
}
