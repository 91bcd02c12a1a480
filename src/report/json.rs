//! `findings.json`: everything that was found, for machines.

use crate::findings::Findings;
use serde::Serialize;
use serde_json::ser::{Formatter, PrettyFormatter, Serializer};
use std::io::{Result, Write};

/// Figures kept of a measure: far more than any measure here means, few enough that the
/// noise of double arithmetic (from the 16th figure on) is not written.
const FIGURES: usize = 9;

/// Returns the bytes of `findings.json`: indented by two spaces, one line end at the end.
///
/// Numbers that are not finite become `null`, whole numbers have no decimals, others at
/// most nine figures.
pub fn bytes(findings: &Findings) -> Vec<u8> {
    written(findings)
}

/// Writes the bytes of `findings.json` to where they go: those of a long cut need not be
/// held.
///
/// # Errors
///
/// What the writer says.
pub fn write(findings: &Findings, out: impl Write) -> Result<()> {
    write_value(findings, out)
}

fn written(value: &impl Serialize) -> Vec<u8> {
    let mut out = Vec::new();
    // Every map key in `Findings` is text and memory takes all: neither of the two things
    // this can fail on.
    let _ = write_value(value, &mut out);
    out
}

fn write_value(value: &impl Serialize, mut out: impl Write) -> Result<()> {
    value.serialize(&mut Serializer::with_formatter(&mut out, Quiet(PrettyFormatter::new())))?;
    out.write_all(b"\n")
}

/// Indents, and takes the noise off every number.
struct Quiet<'i>(PrettyFormatter<'i>);

impl Formatter for Quiet<'_> {
    fn write_f64<W: ?Sized + Write>(&mut self, out: &mut W, double: f64) -> Result<()> {
        let rounded: f64 = format!("{double:.*e}", FIGURES - 1).parse().unwrap_or(double);
        if rounded.fract() == 0.0 && rounded.abs() < 9.0e15 {
            return self.0.write_i64(out, rounded as i64);
        }
        self.0.write_f64(out, rounded)
    }

    fn begin_array<W: ?Sized + Write>(&mut self, out: &mut W) -> Result<()> {
        self.0.begin_array(out)
    }

    fn end_array<W: ?Sized + Write>(&mut self, out: &mut W) -> Result<()> {
        self.0.end_array(out)
    }

    fn begin_array_value<W: ?Sized + Write>(&mut self, out: &mut W, first: bool) -> Result<()> {
        self.0.begin_array_value(out, first)
    }

    fn end_array_value<W: ?Sized + Write>(&mut self, out: &mut W) -> Result<()> {
        self.0.end_array_value(out)
    }

    fn begin_object<W: ?Sized + Write>(&mut self, out: &mut W) -> Result<()> {
        self.0.begin_object(out)
    }

    fn end_object<W: ?Sized + Write>(&mut self, out: &mut W) -> Result<()> {
        self.0.end_object(out)
    }

    fn begin_object_key<W: ?Sized + Write>(&mut self, out: &mut W, first: bool) -> Result<()> {
        self.0.begin_object_key(out, first)
    }

    fn begin_object_value<W: ?Sized + Write>(&mut self, out: &mut W) -> Result<()> {
        self.0.begin_object_value(out)
    }

    fn end_object_value<W: ?Sized + Write>(&mut self, out: &mut W) -> Result<()> {
        self.0.end_object_value(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_written_without_noise() {
        let written =
            |double: f64| String::from_utf8(written(&double)).expect("text").trim_end().to_owned();
        assert_eq!(written(0.1 + 0.2), "0.3");
        assert_eq!(written(240.0), "240");
        assert_eq!(written(-0.0), "0");
        assert_eq!(written(1.0 / 6.0), "0.166666667");
        assert_eq!(written(1.5e-7), "1.5e-7");
        assert_eq!(written(f64::NAN), "null");
        assert_eq!(written(f64::NEG_INFINITY), "null");
        assert_eq!(written(1e300), "1e+300");
    }

    #[test]
    fn lists_and_objects_are_laid_out_as_a_value_is() {
        let value = serde_json::json!({"a": [], "b": {}, "c": [1, {"d": [[null, "x"]]}], "e": 2});
        assert_eq!(written(&value), format!("{value:#}\n").into_bytes());
    }
}
