//! `findings.json`: everything that was found, for machines.

use crate::findings::Findings;
use serde_json::{Number, Value};

/// Figures kept of a measure: far more than any measure here means, few enough that the
/// noise of double arithmetic (from the 16th figure on) is not written.
const FIGURES: usize = 9;

/// Returns the bytes of `findings.json`: indented by two spaces, one line end at the end.
///
/// Numbers that are not finite become `null`, whole numbers have no decimals, others at
/// most nine figures.
pub fn bytes(findings: &Findings) -> Vec<u8> {
    // Every map key in `Findings` is text, the one thing this conversion can fail on.
    let value = serde_json::to_value(findings).unwrap_or_default();
    format!("{:#}\n", quiet(value)).into_bytes()
}

/// Takes the noise off every number.
fn quiet(value: Value) -> Value {
    match value {
        Value::Number(number) => quiet_number(number),
        Value::Array(items) => Value::Array(items.into_iter().map(quiet).collect()),
        Value::Object(fields) => {
            Value::Object(fields.into_iter().map(|(key, value)| (key, quiet(value))).collect())
        }
        other => other,
    }
}

fn quiet_number(number: Number) -> Value {
    let Some(double) = number.as_f64().filter(|_| number.is_f64()) else {
        return Value::Number(number);
    };
    let rounded: f64 = format!("{double:.*e}", FIGURES - 1).parse().unwrap_or(double);
    if rounded.fract() == 0.0 && rounded.abs() < 9.0e15 {
        return Value::from(rounded as i64);
    }
    Number::from_f64(rounded).map_or(Value::Null, Value::Number)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_written_without_noise() {
        let written = |double: f64| quiet(Value::from(double)).to_string();
        assert_eq!(written(0.1 + 0.2), "0.3");
        assert_eq!(written(240.0), "240");
        assert_eq!(written(-0.0), "0");
        assert_eq!(written(1.0 / 6.0), "0.166666667");
        assert_eq!(written(1.5e-7), "1.5e-7");
        assert_eq!(written(f64::NAN), "null");
        assert_eq!(written(f64::NEG_INFINITY), "null");
        assert_eq!(written(1e300), "1e+300");
    }
}
