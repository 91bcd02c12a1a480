//! `lineup.xlsx`: one row a shot for those who plan and count, with a picture.

use super::clock::cut_label;
use super::cost::{cost_of, cost_of_use};
use super::elements::of_use;
use super::still::{Look, StillKind};
use super::words::{said, speed_words};
use crate::error::Faults;
use crate::findings::{Findings, UseFinding, Verdict};
use crate::marks::in_few_words;
use crate::settings::Settings;
use rust_xlsxwriter::{
    DocProperties, ExcelDateTime, Format, FormatAlign, Image, Workbook, Worksheet, XlsxError,
};

/// Width of the column of pictures, and height of a row, in pixels.
const PICTURE: (u32, u32) = (192, 108);
/// Column headings with the width of each, in figures.
const COLUMNS: [(&str, f64); 16] = [
    ("picture", 27.0),
    ("shot", 26.0),
    ("verdict", 20.0),
    ("cut in", 13.0),
    ("cut out", 13.0),
    ("length", 8.0),
    ("to patch", 8.0),
    ("head handle", 8.0),
    ("tail handle", 8.0),
    ("elements", 46.0),
    ("frames to pull", 9.0),
    ("speed", 14.0),
    ("corrections", 18.0),
    ("note", 60.0),
    ("decision", 24.0),
    ("cost", 12.0),
];

/// Returns the bytes of `lineup.xlsx`: every listed use that the boom is in, in the order of
/// the cut. Lengths are frames, labels timecode with the frame after the last as out point.
/// `decision` is empty, to be filled in by hand; `shots.csv` is what is read back.
///
/// # Errors
///
/// Only if the file cannot be put together.
pub fn bytes(findings: &Findings, looks: &[Look]) -> Result<Vec<u8>, Faults> {
    written(findings, looks).map_err(|fault| {
        let remedy = "report this as a fault of the program";
        Faults::one("lineup.xlsx", "", format!("cannot be written: {fault}"), remedy)
    })
}

fn written(findings: &Findings, looks: &[Look]) -> Result<Vec<u8>, XlsxError> {
    let mut book = Workbook::new();
    // A date of its own would make the bytes differ from run to run.
    let day = ExcelDateTime::from_ymd(2000, 1, 1)?;
    let title = said(&findings.cut.name);
    book.set_properties(&DocProperties::new().set_title(&title).set_creation_datetime(&day));
    let sheet = book.add_worksheet();
    sheet.set_name("line-up")?;
    headings(sheet, &findings.settings)?;
    let nothing = Look::default();
    let mut row = 0;
    for (at, found) in findings.uses.iter().enumerate().filter(|(_, found)| is_listed(found)) {
        row += 1;
        shot(sheet, row, findings, found, looks.get(at).unwrap_or(&nothing))?;
    }
    total(sheet, row + 2, findings)?;
    sheet.autofilter(0, 1, row.max(1), last_column(&findings.settings))?;
    sheet.set_freeze_panes(1, 2)?;
    sheet.set_landscape().set_print_fit_to_pages(1, 0).set_repeat_rows(0, 0)?;
    book.save_to_buffer()
}

fn is_listed(found: &UseFinding) -> bool {
    !matches!(found.verdict, Verdict::Clear | Verdict::Covered | Verdict::Unlisted)
}

/// The columns; that of costs, the last, only where rates are given.
fn columns(settings: &Settings) -> usize {
    COLUMNS.len() - usize::from(settings.rates.is_empty())
}

fn last_column(settings: &Settings) -> u16 {
    u16::try_from(columns(settings) - 1).unwrap_or(u16::MAX)
}

/// The sum of all costs, two rows below the last shot.
fn total(sheet: &mut Worksheet, row: u32, findings: &Findings) -> Result<(), XlsxError> {
    let Some(cost) = cost_of(findings) else { return Ok(()) };
    let column = last_column(&findings.settings);
    let bold = Format::new().set_bold();
    sheet.write_with_format(row, column - 1, "total", &bold)?;
    sheet.write_with_format(row, column, cost, &bold)?;
    Ok(())
}

fn headings(sheet: &mut Worksheet, settings: &Settings) -> Result<(), XlsxError> {
    let bold = Format::new().set_bold().set_text_wrap().set_align(FormatAlign::Top);
    for (column, (name, width)) in (0..).zip(COLUMNS).take(columns(settings)) {
        let unit = Some(&settings.rates_in).filter(|unit| name == "cost" && !unit.is_empty());
        let name = unit.map_or(name.to_string(), |unit| format!("{name}, {}", said(unit)));
        sheet.set_column_width(column, width)?;
        sheet.write_with_format(0, column, name, &bold)?;
    }
    Ok(())
}

fn shot(
    sheet: &mut Worksheet,
    row: u32,
    findings: &Findings,
    found: &UseFinding,
    look: &Look,
) -> Result<(), XlsxError> {
    let plain = Format::new().set_text_wrap().set_align(FormatAlign::Top);
    let cut = |frame| cut_label(&findings.cut, frame);
    let elements = of_use(findings, found);
    let handles = elements.first().map(|element| element.handles);
    let pull: u64 = elements.iter().map(|element| element.range.count().0).sum();
    let lines: Vec<String> = elements
        .iter()
        .map(|element| {
            let of = [element.clip, element.file].into_iter().find(|name| !name.is_empty());
            let (name, span) = (element.name, element.clock.span(element.range));
            format!("{name} {}: {span}", said(of.unwrap_or("?")))
        })
        .collect();
    let number = |value: Option<u64>| Cell::Number(value);
    let text = |text: String| Cell::Text(text);
    let cells = [
        text(said(&found.shot)),
        text(found.verdict.shown().into()),
        text(cut(found.range_in_cut.start)),
        text(cut(found.range_in_cut.end)),
        number(Some(found.range_in_cut.count().0)),
        number(Some(super::sheet::to_patch(found))),
        number(handles.map(|handles| handles.0)),
        number(handles.map(|handles| handles.1)),
        text(lines.join("\n")),
        number((!elements.is_empty()).then_some(pull)),
        text(speed_words(found.speed.as_deref())),
        text(found.corrections.join(", ")),
        text(note(found)),
    ];
    sheet.set_row_height_pixels(row, PICTURE.1 + 8)?;
    for (column, cell) in (1..).zip(cells) {
        match cell {
            // A text is written as text: nothing in it is run as a formula.
            Cell::Text(text) => {
                sheet.write_string_with_format(row, column, shortened(text), &plain)?
            }
            Cell::Number(Some(value)) => {
                sheet.write_with_format(row, column, value as f64, &plain)?
            }
            Cell::Number(None) => continue,
        };
    }
    if let Some(cost) = cost_of_use(findings, found) {
        sheet.write_with_format(row, last_column(&findings.settings), cost, &plain)?;
    }
    picture(sheet, row, found, look)
}

enum Cell {
    Text(String),
    Number(Option<u64>),
}

/// The most letters a cell may hold (from the writing library's documentation: 32,767).
fn shortened(text: String) -> String {
    if text.len() < 32_000 { text } else { text.chars().take(8_000).collect() }
}

fn note(found: &UseFinding) -> String {
    found.decisive().map_or_else(|| in_few_words(found), |reason| said(&reason.text))
}

fn picture(
    sheet: &mut Worksheet,
    row: u32,
    found: &UseFinding,
    look: &Look,
) -> Result<(), XlsxError> {
    let Some(still) = look.still(StillKind::Worst) else { return Ok(()) };
    let mut image = Image::new_from_buffer(&still.jpeg)?.set_alt_text(format!(
        "{}, {}",
        said(&found.shot),
        found.verdict.shown()
    ));
    image = image.set_scale_to_size(PICTURE.0, PICTURE.1, true);
    sheet.insert_image_with_offset(row, 0, &image, 3, 4)?;
    Ok(())
}
