//! What a review of the sample show must find, as a table.

use super::cut::Expected;

/// One use of the cut.
pub struct Row {
    /// JSON pointer into the cut.
    pub pointer: String,
    pub clip: &'static str,
    pub expected: Expected,
}

/// The table as CSV. Handles are 8 frames and fades 6; several codes are joined by `|`.
pub fn table(rows: &[Row]) -> String {
    let mut text = String::from(
        "pointer,clip,claims_verdict,claims_reasons,measured_verdict,corrections,measured_reasons\n",
    );
    for Row { pointer, clip, expected } in rows {
        let Expected { claims, claims_reasons, measured, corrections, measured_reasons } = expected;
        text.push_str(&format!(
            "{pointer},{clip},{claims},{claims_reasons},{measured},{corrections},{measured_reasons}\n"
        ));
    }
    text
}
