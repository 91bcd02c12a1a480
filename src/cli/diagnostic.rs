//! Prints faults and results: results on standard output, the rest on standard error.

use crate::error::BadInput;
use anstyle::{AnsiColor, Style};
use std::io::Write;

const ERROR: Style = AnsiColor::Red.on_default().bold();
const HELP: Style = AnsiColor::Cyan.on_default();

/// Prints each fault with its remedy on standard error.
pub fn print_faults(faults: &[BadInput]) {
    let mut err = anstream::stderr().lock();
    for fault in faults {
        let _ = writeln!(err, "{ERROR}error{ERROR:#}: {fault}");
        if !fault.remedy.is_empty() {
            let _ = writeln!(err, "  {HELP}help{HELP:#}: {}", fault.remedy);
        }
    }
}

/// Prints one line on standard error.
pub fn note(text: &str) {
    let _ = writeln!(anstream::stderr().lock(), "{text}");
}

/// Prints text on standard output. A reader that went away is no fault.
pub fn print(text: &str) {
    let mut out = anstream::stdout().lock();
    let _ = out.write_all(text.as_bytes());
    let _ = out.flush();
}

/// Prints what a writer is given, on standard output as it is.
pub fn print_with(write: impl FnOnce(&mut dyn Write) -> std::io::Result<()>) {
    let mut out = std::io::BufWriter::with_capacity(1 << 16, std::io::stdout().lock());
    let _ = write(&mut out);
    let _ = out.flush();
}

/// Prints bytes on standard output as they are.
pub fn print_bytes(bytes: &[u8]) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(bytes);
    let _ = out.flush();
}
