//! `loop`: one loop plate, no cut needed.

use super::args::Loop;
use super::choices::TurnsChoice;
use super::{diagnostic, progress::Bar, rate};
use crate::error::{BadInput, Faults};
use crate::grain::GrainModel;
use crate::loops::{Area, Course, Eased, Watch, choose};
use crate::media::{Media, OpenOptions, StartTimecode, open_with};
use crate::plate::{FrameMap, MapFault, PlateCodec, PlateJob, PlateMade, Retouch, make_plate};
use crate::platelog::{Point, PointRange, TakeClock, read_range, take_frame, take_range};
use crate::reach::least_loop_frames;
use crate::review::Progress;
use crate::settings::{Settings, Turns};
use crate::time::{Counting, Frame, FrameRange, FrameShift};
use std::path::PathBuf;

/// Makes a loop plate of the length asked for.
///
/// # Errors
///
/// Media that cannot be read, a plate outside it, an output that cannot be written.
pub fn run(args: &Loop) -> Result<u8, Faults> {
    let settings = args.settings.as_deref().map(Settings::read).transpose()?.unwrap_or_default();
    let sequence_rate = args.rate.as_deref().map(rate).transpose()?;
    let media = open_with(
        &args.media,
        OpenOptions { sequence_rate, threads: args.jobs, ..OpenOptions::default() },
    )?;
    let plate = plate_in_file(&media, &args.plate, &settings)?;
    let eased = (args.turns == TurnsChoice::Eased)
        .then(|| eased(&media, plate, args.length))
        .transpose()?;
    let map = match &eased {
        Some(eased) => eased.map.clone(),
        None => FrameMap::looped(plate, args.length, args.turns.into()).map_err(too_long)?,
    };
    let target = Target::of(args, &media)?;
    let codec = PlateCodec::parse(&settings.plate_codec).ok_or_else(|| {
        in_command("plate_codec", &settings.plate_codec, "see docs/settings.toml for the codecs")
    })?;
    let job = PlateJob {
        source: &media,
        map: &map,
        out: target.made_as.clone(),
        reel: target.stem.file_name().map(|name| name.to_string_lossy().into_owned()),
        start: start(&media, plate, args.timecode.as_deref())?,
        rate: None,
        first_number: settings.first_frame,
        codec,
        threads: settings.encoder_threads,
        still: false,
        retouch: eased.as_ref().map(|eased| &eased.turns as &dyn Retouch),
        recipe: None,
        receipts: None,
    };
    let mut made = {
        let mut bar = Bar::new(args.quiet || args.json);
        bar.stage("loop", args.length);
        make_plate(&job, &mut |done, _| bar.at(done))?
    };
    target.settle(&mut made)?;
    let eases = eased.map(|eased| eased.eases).unwrap_or_default();
    say(args, &media, (&map, &eases), plate, &made);
    Ok(0)
}

fn too_long(fault: MapFault) -> Faults {
    in_command("--length", &fault.to_string(), "ask for fewer frames")
}

/// A loop whose turns are rendered.
struct Slow<'a> {
    map: FrameMap,
    turns: Eased<'a>,
    /// Runs of its frames that lie between frames of the plate.
    eases: Vec<[i64; 2]>,
}

/// A loop over the whole picture that turns where least moves, its turns rendered slow.
fn eased(media: &Media, plate: FrameRange, length: u64) -> Result<Slow<'_>, Faults> {
    let info = media.info();
    let area = Area::of(None, info.width, info.height);
    let mut watch = Watch::over(plate, &area, info.width, info.height);
    media.read(&[plate], &mut [&mut watch])?;
    let least = least_loop_frames(info.rate);
    let visible = watch.visible().filter(|_| plate.count().0 >= least).ok_or_else(|| {
        let fault = format!("a plate of {} frames has no turns to ease", plate.count());
        in_command("--turns", &fault, "use once or twice, or a longer plate")
    })?;
    let choice = choose(plate, length, least, Turns::Eased, &visible).map_err(too_long)?;
    let grain = GrainModel::of(media, plate)?;
    let window = choice.window.unwrap_or(1);
    let eases = Course::of(&choice.map, window).map_err(too_long)?.eases();
    let turns = Eased::new(media, &choice.map, window, area, grain).map_err(too_long)?;
    Ok(Slow { map: choice.map, turns, eases })
}

fn in_command(place: &str, fault: &str, remedy: &str) -> Faults {
    Faults::one("command line", place, fault, remedy)
}

/// How the labels of the media count, with its first frame; without timecode only file
/// frames can be asked for.
fn clock(media: &Media, settings: &Settings) -> TakeClock {
    let info = media.info();
    match info.start {
        Some(start) => TakeClock::new(start.counting, Some(start.frame), settings),
        None => TakeClock::new(Counting::new(info.rate, false), Some(Frame(0)), settings),
    }
}

fn plate_in_file(media: &Media, text: &str, settings: &Settings) -> Result<FrameRange, Faults> {
    let info = media.info();
    let range: PointRange =
        read_range(text).map_err(|(fault, remedy)| in_command("--plate", &fault, &remedy))?;
    let clock = clock(media, settings);
    let in_take = take_range(&range, &clock).map_err(|fault| {
        in_command(
            "--plate",
            &fault.to_string(),
            "give two points inside the file, the out point exclusive",
        )
    })?;
    let first = clock.start.unwrap_or_default();
    let in_file = in_take.shifted(FrameShift(-first.0));
    let whole = FrameRange::new(0, i64::try_from(info.frames).unwrap_or(i64::MAX));
    if whole.contains(in_file) {
        return Ok(in_file);
    }
    let label = |frame: Frame| clock.counting.label(first + FrameShift(frame.0));
    let held = if info.start.is_some() {
        format!("{}-{}", label(whole.start), label(whole.end))
    } else {
        format!("#0-#{}", info.frames)
    };
    Err(in_command(
        "--plate",
        &format!("{text} is not inside {}, which holds {held}", info.name),
        "give a range inside the file",
    ))
}

/// The first frame's timecode: as asked for, else the plate's own.
fn start(
    media: &Media,
    plate: FrameRange,
    asked: Option<&str>,
) -> Result<Option<StartTimecode>, Faults> {
    let info = media.info();
    let own = info.start.map(|start| StartTimecode {
        frame: start.frame + FrameShift(plate.start.0),
        counting: start.counting,
    });
    let Some(label) = asked else { return Ok(own) };
    let counting =
        own.map_or(Counting::new(info.rate, label.contains(';')), |start| start.counting);
    let clock = TakeClock::new(counting, None, &Settings::default());
    let frame = take_frame(&Point::Timecode(label.to_string()), &clock)
        .map_err(|fault| in_command("--timecode", &fault.to_string(), "write it as HH:MM:SS:FF"))?;
    Ok(Some(StartTimecode { frame, counting }))
}

/// Where the loop is written while it is made, and where it ends up.
struct Target {
    /// Without ending.
    made_as: PathBuf,
    /// Without ending; the same unless an older file is replaced.
    stem: PathBuf,
}

impl Target {
    /// The output without its ending. What stands there is replaced only when asked for,
    /// and only once the new loop is whole; the source never is.
    fn of(args: &Loop, media: &Media) -> Result<Target, Faults> {
        let out = &args.out;
        if let (Ok(there), Ok(source)) = (out.canonicalize(), media.path().canonicalize())
            && (there == source || source.starts_with(&there))
        {
            return Err(in_command("-o", "the output is the media itself", "choose another file"));
        }
        let ending = out.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
        let known = ["mov", "mkv", "mxf", "mp4", "avi"];
        let stem = if known.contains(&ending.to_ascii_lowercase().as_str()) {
            out.with_extension("")
        } else {
            out.clone()
        };
        let mut made_as = stem.clone();
        if args.force {
            let name = stem.file_name().unwrap_or_default().to_string_lossy().into_owned();
            made_as.set_file_name(format!("{name}_new"));
        }
        Ok(Target { made_as, stem })
    }

    /// Gives the finished loop its name.
    fn settle(&self, made: &mut PlateMade) -> Result<(), Faults> {
        if self.made_as == self.stem {
            return Ok(());
        }
        let named = match made.path.extension() {
            Some(ending) if made.path.is_file() => self.stem.with_extension(ending),
            _ => self.stem.clone(),
        };
        std::fs::rename(&made.path, &named).map_err(|io| {
            let place = made.path.display().to_string();
            let fault = format!("cannot take the place of {}: {io}", named.display());
            BadInput::new(place, "", fault, "the new loop is whole; move the old one away yourself")
        })?;
        made.path = named;
        Ok(())
    }
}

fn say(
    args: &Loop,
    media: &Media,
    (map, eases): (&FrameMap, &[[i64; 2]]),
    plate: FrameRange,
    made: &PlateMade,
) {
    if args.json {
        let made = serde_json::json!({
            "file": made.path.file_name().unwrap_or_default().to_string_lossy(),
            "frames": made.frames,
            "passes": map.passes(),
            "map": map.triples(),
            "eases": eases,
            "method": made.method,
            "encode_reason": made.encode_reason,
        });
        diagnostic::print(&format!("{made:#}\n"));
        return;
    }
    for note in &made.notes {
        diagnostic::note(note);
    }
    if args.quiet {
        return;
    }
    let how = match &made.encode_reason {
        None => "copied".to_string(),
        Some(why) => format!("encoded ({why})"),
    };
    let passes = map.passes();
    diagnostic::print(&format!(
        "{}: {} frames from {} in {passes} {}, {how}\n",
        made.path.display(),
        made.frames,
        plate.count(),
        if passes == 1 { "pass" } else { "passes" },
    ));
    let least = least_loop_frames(media.info().rate);
    if plate.count().0 < least && made.frames > plate.count().0 {
        diagnostic::note(&format!(
            "A loop of fewer than {least} frames may flash more than three times a second; hold one frame instead."
        ));
    }
}
