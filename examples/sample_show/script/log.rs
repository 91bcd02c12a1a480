//! The plate log as it was noted on set, with the mistakes that honest people make.

use super::otio::MISSING_START;
use super::{Take, takes};
use platesmith::time::{Counting, Frame, Rate};

const HEADINGS: &str = "scene,slate,take,camera,roll,clip,media,date,rate,start,end,lock_off,plates,\
serves,boom,capture,unusable,remarks,agreed_by,tolerance";

/// One row before it is written. Ranges are file frames.
#[derive(Default)]
struct Note {
    /// Scene, slate, take, camera, roll.
    name: [&'static str; 5],
    clip: &'static str,
    media: &'static str,
    date: &'static str,
    /// Frames by which the noted end is late.
    late: i64,
    lock_off: &'static [[i64; 2]],
    plates: &'static [[i64; 2]],
    /// Plates without times, as written.
    plate_words: &'static str,
    serves: &'static str,
    boom: &'static [[i64; 2]],
    capture: &'static str,
    unusable: &'static str,
    remarks: &'static str,
    tolerance: &'static str,
}

const DAY_1: &str = "2031-05-14";
const DAY_2: &str = "2031-05-15";

/// The log as CSV.
pub fn log() -> String {
    let mut text = format!("{HEADINGS}\n");
    let notes = first_day().into_iter().chain(second_day());
    notes.for_each(|note| text.push_str(&row(&note)));
    text.push_str(&two_cameras());
    text.push_str(&without_media());
    text.push_str(
        "19,5l,1,A,,A003C0O9,,,24,16:50:00:00,16:50:12:00,16:50:00:00-16:50:12:00,head 4s,,,,,\
         \"slate not readable, check\",,\n",
    );
    text
}

fn first_day() -> Vec<Note> {
    vec![
        Note {
            name: ["12", "31", "1", "A", "A001"],
            clip: "A001C001",
            date: DAY_1,
            boom: &[[0, 60], [188, 240]],
            remarks: "boom only for the first and last line",
            ..Note::default()
        },
        Note {
            name: ["12", "31", "2", "A", "A001"],
            clip: "A001C002",
            date: DAY_1,
            plates: &[[0, 120]],
            boom: &[[130, 236]],
            capture: "960x540",
            ..Note::default()
        },
        // "03" for take 3, and an end four frames past the file.
        Note {
            name: ["13", "32", "03", "A", "A001"],
            clip: "A001C003",
            date: DAY_1,
            late: 4,
            plates: &[[0, 72]],
            boom: &[[82, 300]],
            remarks: "long boom, director wants no second take",
            ..Note::default()
        },
        // A head plate with a length only; the tail is no good.
        Note {
            name: ["13", "32", "4", "A", "A001"],
            clip: "A001C004",
            date: DAY_1,
            plate_words: "head 3s|tail NG",
            boom: &[[76, 172]],
            remarks: "tail NG: netmaker walked through",
            ..Note::default()
        },
        Note {
            name: ["14", "33", "1", "B", "B001"],
            clip: "B001C001",
            date: DAY_1,
            boom: &[[0, 180]],
            remarks: "no time for a plate, see 33 take 2",
            ..Note::default()
        },
        Note {
            name: ["14", "33", "2", "B", "B001"],
            clip: "B001C002",
            date: DAY_1,
            plates: &[[0, 100]],
            serves: "all",
            remarks: "plate only",
            tolerance: "12",
            ..Note::default()
        },
        Note {
            name: ["12", "37", "1", "A", "A001"],
            clip: "A001C005",
            date: DAY_1,
            boom: &[[0, 200]],
            capture: "960x540",
            remarks: "boom follows her across, no plate",
            ..Note::default()
        },
        Note {
            name: ["14", "33", "4", "A", "A001"],
            clip: "A001C006",
            date: DAY_1,
            boom: &[[0, 60], [69, 140]],
            remarks: "boom out for a blink only",
            ..Note::default()
        },
    ]
}

fn second_day() -> Vec<Note> {
    vec![
        // No roll noted.
        Note {
            name: ["15", "35", "1", "A", ""],
            clip: "A002C001",
            date: DAY_2,
            plates: &[[0, 110]],
            boom: &[[120, 222]],
            unusable: "224-230 bump",
            remarks: "cloud came over before the line",
            ..Note::default()
        },
        Note {
            name: ["15", "36", "2", "A", "A002"],
            clip: "A002C002",
            date: DAY_2,
            plates: &[[0, 60]],
            boom: &[[70, 204]],
            remarks: "wind in the trees",
            ..Note::default()
        },
        Note {
            name: ["16", "40", "1", "A", "A002"],
            clip: "A002C003",
            date: DAY_2,
            plates: &[[0, 64]],
            boom: &[[76, 210]],
            remarks: "ran over midnight",
            ..Note::default()
        },
        Note {
            name: ["15", "38", "1", "A", "A003"],
            clip: "A003C001",
            date: DAY_2,
            lock_off: &[[0, 152], [172, 250]],
            plates: &[[0, 70]],
            boom: &[[80, 150], [162, 250]],
            remarks: "reframed for the close line",
            ..Note::default()
        },
        Note {
            name: ["12", "41", "1", "A", "A003"],
            clip: "A003C002",
            plates: &[[0, 100]],
            boom: &[[108, 212]],
            ..Note::default()
        },
        // The boom was still in frame when the plate was called.
        Note {
            name: ["13", "42", "2", "A", "A003"],
            clip: "A003C003",
            date: DAY_2,
            plates: &[[0, 96]],
            boom: &[[108, 248]],
            remarks: "head plate ok for sound",
            ..Note::default()
        },
        Note {
            name: ["12", "43", "1", "A", "A003"],
            clip: "A003C004",
            media: "A003C004.1389600.dpx",
            date: DAY_2,
            plates: &[[0, 16]],
            boom: &[[18, 56]],
            ..Note::default()
        },
        Note {
            name: ["14", "61", "1", "C", "C001"],
            clip: "C001C001",
            date: DAY_2,
            plates: &[[0, 100]],
            boom: &[[110, 302]],
            remarks: "second unit, focus to actor on last line",
            ..Note::default()
        },
    ]
}

/// Both cameras of slate 52: the file in the cut names neither, and both fit.
fn two_cameras() -> String {
    let Some(take) = takes::named("A004C001") else { return String::new() };
    let boom = ranges(&take, &[[50, 110]]);
    let rows = [("A", "A004", "A004C001", [0, 40]), ("B", "B004", "B004C001", [0, 24])];
    rows.iter()
        .map(|(camera, roll, clip, plate)| {
            let (start, end) = (take.label(0), take.label(take.frames as i64));
            let plate = ranges(&take, &[*plate]);
            format!(
                "17,52,1,{camera},{roll},{clip},,{DAY_2},24,{start},{end},{start}-{end},{plate},,{boom},\
                 ,,two cameras,script and camera,\n"
            )
        })
        .collect()
}

/// A take whose file never came from the laboratory.
fn without_media() -> String {
    let counting = Counting::new(Rate::new(24, 1).expect("24 is a rate"), false);
    let label = |frame: i64| counting.label(Frame(MISSING_START + frame));
    let [start, plate, boom_in, boom_out, end] = [0, 72, 84, 180, 200].map(label);
    format!(
        "18,53,1,A,A003,A003C006,,{DAY_2},24,{start},{end},{start}-{end},{start}-{plate},,\
         {boom_in}-{boom_out},,,,first AD,\n"
    )
}

fn ranges(take: &Take, frames: &[[i64; 2]]) -> String {
    let one = |range: &[i64; 2]| format!("{}-{}", take.label(range[0]), take.label(range[1]));
    frames.iter().map(one).collect::<Vec<_>>().join("|")
}

fn row(note: &Note) -> String {
    let Some(take) = takes::named(note.clip) else { return String::new() };
    let frames = take.frames as i64;
    let whole = [[0, frames]];
    let lock_off = ranges(&take, if note.lock_off.is_empty() { &whole } else { note.lock_off });
    let plates = match note.plate_words {
        "" => ranges(&take, note.plates),
        words => words.to_string(),
    };
    let rate = if take.rate.1 == 1 { take.rate.0.to_string() } else { "29.97".into() };
    let unusable = note.unusable.split_once(' ').map_or(String::new(), |(frames, why)| {
        let points: Vec<i64> = frames.split('-').filter_map(|point| point.parse().ok()).collect();
        match points[..] {
            [start, end] => format!("{} {why}", ranges(&take, &[[start, end]])),
            _ => String::new(),
        }
    });
    let boom = ranges(&take, note.boom);
    let agreed = if note.boom.is_empty() { "" } else { "\"first AD, camera, post\"" };
    let (start, end) = (take.label(0), take.label(frames + note.late));
    let quoted = |text: &str| if text.contains(',') { format!("\"{text}\"") } else { text.into() };
    let fields = [
        note.name.join(","),
        note.clip.into(),
        note.media.into(),
        note.date.into(),
        rate,
        start,
        end,
        lock_off,
        plates,
        note.serves.into(),
        boom,
        note.capture.into(),
        unusable,
        quoted(note.remarks),
        agreed.into(),
        note.tolerance.into(),
    ];
    format!("{}\n", fields.join(","))
}
