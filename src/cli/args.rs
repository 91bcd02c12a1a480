//! The command line as typed.

use super::choices::{AnchorChoice, EdlChoice, MarkersChoice, PlatesChoice, TurnsChoice, handles};
use crate::review::HandBack;
use clap::{Args, Parser, Subcommand};
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

/// Returns what `--version` prints: the program's version and that of the FFmpeg libraries.
fn long_version() -> &'static str {
    static TEXT: LazyLock<String> =
        LazyLock::new(|| format!("{}\n{}", env!("CARGO_PKG_VERSION"), crate::media::libraries()));
    &TEXT
}

/// Tells for every shot of a locked cut whether a boom can be patched out from a clean
/// plate, and builds the plates.
///
/// A verdict means "no reason found to reject at these limits"; the VFX supervisor decides.
#[derive(Debug, Parser)]
#[command(name = "platesmith", version, long_version = long_version())]
#[command(propagate_version = true, subcommand_required = true)]
pub struct CommandLine {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Verdicts for every shot of a cut; nothing is rendered.
    #[command(after_help = "EXAMPLES\n  \
        platesmith check cut.otio --log plates.csv --media rushes/\n  \
        platesmith check cut.otio --log plates.csv --no-picture   from the log alone\n  \
        platesmith check cut.otio --log a.csv --log b.json --json > findings.json\n\n\
        EXIT CODE  0 nothing to do, 1 a shot needs a person, 2 a fault in a file")]
    Check(Check),
    /// The whole job: verdicts, plates, annotated timeline, report and lists.
    #[command(after_help = "EXAMPLES\n  \
        platesmith turnover cut.otio --log plates.csv --media rushes/ -o turnover/\n  \
        platesmith turnover cut.otio --log plates.csv --media rushes/ -o out/ --handles 12:16\n  \
        platesmith turnover cut.otio --log plates.csv --media rushes/ -o out/ --plan   for a farm\n\n\
        EXIT CODE  0 nothing to do, 1 a shot needs a person, 2 a fault in a file")]
    Turnover(Turnover),
    /// From proxies to full-size pulls: measures and renders a turnover again on them.
    #[command(after_help = "EXAMPLES\n  \
        platesmith finish turnover/ --media pulls/ -o final/\n\n\
        The cut, the log and the settings are those of the turnover. A shot without a pull keeps\n\
        its verdict. Where the proxy's picture lies in the pull is measured and reported.\n\n\
        EXIT CODE  0 nothing to do, 1 a shot needs a person, 2 a fault in a file")]
    Finish(Finish),
    /// On set: can this take be patched, or what has to be rolled?
    #[command(after_help = "EXAMPLES\n  \
        platesmith inspect A014C007.mov                       plates and boom found in the picture\n  \
        platesmith inspect A014C007.mov --log plates.csv      what was noted, proven\n  \
        platesmith inspect A014C007.mov -o A014C007.html      with a page to look at\n  \
        platesmith inspect cards/A014/ --json > takes.json    every take of a folder\n  \
        platesmith inspect proxies/ --watch -o today/         each take as it lands\n\n\
        The first word is the answer: HAVE IT, CHECK, or ROLL with seconds and what to do.\n\n\
        EXIT CODE  0 have it, 1 check or roll, 2 a fault in a file")]
    Inspect(Inspect),
    /// One loop plate, no cut needed.
    #[command(after_help = "EXAMPLES\n  \
        platesmith loop A014C007.mov --plate 10:12:08:00-10:12:10:00 --length 336 -o A014C007_loop.mov\n  \
        platesmith loop A014C007.mov --plate '#12-#60' --length 336 --turns once -o loop.mov")]
    Loop(Loop),
    /// Logs of any kind read, validated, shown, and written as one.
    #[command(after_help = "EXAMPLES\n  \
        platesmith log plates.csv                              is it sound? a table\n  \
        platesmith log SOUND/ camera.csv --to plates.json      a recorder's folder and a report as one log\n  \
        platesmith log plates.json --to plates.csv\n  \
        platesmith log report.csv --map columns.toml --json    headings that are not known\n\n\
        Read are plate logs (CSV, JSON), reports of sound, camera and script (CSV), sound files\n\
        and folders of these. A mapping file names headings: [columns], then \"Bildrolle\" = \"roll\".\n\n\
        EXIT CODE  0 no fault, 2 a fault in a file")]
    Log(Log),
    /// A card to print: who agrees, seconds of plate, the calls, cautions.
    #[command(after_help = "EXAMPLES\n  \
        platesmith setcard                                     a card to fill in, as text\n  \
        platesmith setcard -o card.html                        the same as a page that prints on one sheet\n  \
        platesmith setcard shots.csv -o card.html              how much plate to ask for, shot by shot\n  \
        platesmith setcard --language de -o karte.html\n\n\
        A shot list is a table with headings such as scene, slate, camera, length, fps.\n\n\
        EXIT CODE  0 no fault, 2 a fault in a file")]
    Setcard(Setcard),
    /// What a recut changes, and which plates still hold.
    #[command(after_help = "EXAMPLES\n  \
        platesmith compare turnover/ recut.otio                         what changed\n  \
        platesmith compare cut_v3.otio cut_v4.otio --json\n  \
        platesmith compare turnover/ recut.otio --media rushes/ -o turnover_v2/\n\n\
        OLD and NEW are each a cut or the folder that turnover filled. With -o the new cut is handed\n\
        back, going on from OLD: only what changed is rendered, versions rise, names stay.\n\n\
        EXIT CODE  0 all that was rendered holds, 1 something has to be done, 2 a fault in a file")]
    Compare(Compare),
    /// Takes our marks and plate tracks out of a timeline.
    #[command(after_help = "EXAMPLES\n  platesmith strip annotated.otio -o cut.otio")]
    Strip(Strip),
    /// The renders of a plan as a job for a farm (Open Job Description).
    #[command(after_help = "EXAMPLES\n  \
        platesmith turnover cut.otio --log plates.csv --media rushes/ -o out/ --plan\n  \
        platesmith jobs out/ -o job.json                       the template: one task a shot\n  \
        platesmith jobs out/ --values -o values.json           its parameters on this machine\n\n\
        The last step of the job checks every file and hands the turnover back: the same bytes as\n\
        a run in one piece.\n\n\
        EXIT CODE  0 no fault, 2 no plan")]
    Jobs(Jobs),
    /// Prints a completion script for a shell.
    Completions {
        /// Which shell.
        shell: clap_complete::Shell,
    },
    /// Prints the manual page of the program or of one command.
    #[command(hide = true)]
    Man {
        /// The command; none for the program itself.
        command: Option<String>,
    },
}

/// What `check` and `turnover` are given.
#[derive(Debug, Args)]
pub struct CutArgs {
    /// The locked cut: .otio, .otioz or .otiod.
    #[arg(required_unless_present_any = ["log", "media"])]
    pub cut: Option<PathBuf>,
    /// Plate logs: CSV, JSON, reports, sound files, or folders of these; may be given several
    /// times.
    #[arg(long, value_name = "LOG", required = true, num_args = 1..)]
    pub log: Vec<PathBuf>,
    /// A TOML file that says what columns of logs with unknown headings hold.
    #[arg(long, value_name = "FILE")]
    pub map: Option<PathBuf>,
    /// Folders with media, searched with all their subfolders; may be given several times.
    #[arg(long, value_name = "DIR", num_args = 1..)]
    pub media: Vec<PathBuf>,
    /// Judges from the log alone; no picture is opened.
    #[arg(long)]
    pub no_picture: bool,
    /// Looks at uses in no log, too: one with a boom at the edge needs a look.
    #[arg(long)]
    pub all: bool,
    /// Handle frames before and after each use, in cut frames: N, or N:M.
    #[arg(long, value_name = "N[:M]", value_parser = handles)]
    pub handles: Option<(u32, u32)>,
    /// A TOML file with limits and choices.
    #[arg(long, value_name = "FILE")]
    pub settings: Option<PathBuf>,
    /// The cut rate, where the timeline leaves it open: 24, 23.976, 24000/1001.
    #[arg(long, value_name = "RATE")]
    pub cut_rate: Option<String>,
    /// Which timeline of a file with several.
    #[arg(long, value_name = "NAME")]
    pub timeline: Option<String>,
    /// Which reading of a reversed clip is rendered.
    #[arg(long, value_name = "READING")]
    pub reverse_anchor: Option<AnchorChoice>,
    /// Prints findings.json to standard output.
    #[arg(long)]
    pub json: bool,
    /// Prints nothing but faults and how many uses were not looked at.
    #[arg(long)]
    pub quiet: bool,
    /// Lets turnover replace the cut itself, where that is an annotated timeline in OUT.
    #[arg(long)]
    pub force: bool,
    /// Threads for reading and writing pictures.
    #[arg(long, value_name = "N", default_value_t = 2, value_parser = clap::value_parser!(u32).range(1..=64))]
    pub jobs: u32,
}

impl CutArgs {
    /// Returns the cut. Named after `--log` or `--media`, which take several values, it is
    /// the one of them with a timeline's ending.
    pub fn cut(&self) -> Option<PathBuf> {
        let named = self.media.iter().chain(&self.log).find(|path| is_timeline(path));
        self.cut.clone().or_else(|| named.cloned())
    }

    /// Returns the logs, without a cut that was named among them.
    pub fn logs(&self) -> Vec<PathBuf> {
        self.without_cut(&self.log)
    }

    /// Returns the media folders, without a cut that was named among them.
    pub fn media_folders(&self) -> Vec<PathBuf> {
        self.without_cut(&self.media)
    }

    fn without_cut(&self, paths: &[PathBuf]) -> Vec<PathBuf> {
        let keeps = |path: &&PathBuf| self.cut.is_some() || !is_timeline(path);
        paths.iter().filter(keeps).cloned().collect()
    }
}

fn is_timeline(path: &Path) -> bool {
    let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
    ["otio", "otioz", "otiod"].contains(&ending.to_ascii_lowercase().as_str())
}

/// `check`.
#[derive(Debug, Args)]
pub struct Check {
    /// Cut, log and media.
    #[command(flatten)]
    pub cut: CutArgs,
    /// Shows how one shot was matched and what spoke against the other records.
    #[arg(long, value_name = "SHOT")]
    pub explain: Option<String>,
}

/// `turnover`.
#[derive(Debug, Args)]
pub struct Turnover {
    /// Cut, log and media.
    #[command(flatten)]
    pub cut: CutArgs,
    /// What is given back, and where.
    #[command(flatten)]
    pub back: Back,
    /// How loops turn.
    #[arg(long, value_name = "HOW")]
    pub turns: Option<TurnsChoice>,
    /// Stops before rendering and leaves a plan of it in OUT, for `jobs`.
    #[arg(long, group = "part")]
    pub plan: bool,
    /// Renders one shot of the plan in OUT: its name, or #N for the N-th of the plan.
    #[arg(long, value_name = "SHOT", group = "part")]
    pub only: Option<String>,
    /// Checks everything that was rendered of the plan in OUT, and hands it back. The exit code
    /// is 0 also where a shot needs a person.
    #[arg(long, group = "part")]
    pub collect: bool,
}

/// `jobs`.
#[derive(Debug, Args)]
pub struct Jobs {
    /// The folder with the plan: the OUT of turnover --plan.
    pub turnover: PathBuf,
    /// Prints what the parameters of the job are on this machine, as JSON.
    #[arg(long)]
    pub values: bool,
    /// Writes into this file, not to standard output.
    #[arg(short, long, value_name = "FILE")]
    pub out: Option<PathBuf>,
}

/// What `turnover` and `finish` give back, and where.
#[derive(Debug, Args)]
pub struct Back {
    /// The folder to fill; never inside a media folder.
    #[arg(short, long, value_name = "OUT")]
    pub out: PathBuf,
    /// Where markers go: on the clips, on the timeline's stack, or both.
    #[arg(long, value_name = "WHERE", default_value = "both")]
    pub markers: MarkersChoice,
    /// Clips on plate tracks: disabled, enabled, on tracks below the picture, or none.
    #[arg(long, value_name = "HOW", default_value = "disabled")]
    pub plates: PlatesChoice,
    /// Also writes temp_cut.otio: the cut with temp comps in place of the takes they patch.
    #[arg(long)]
    pub with_temp: bool,
    /// Also writes annotated_zero.otio: the annotated timeline with media that begin at zero, for
    /// programs that do not read timecode; with --with-temp also temp_cut_zero.otio.
    #[arg(long)]
    pub zero_based: bool,
    /// All bytes of media and renders tell whether they are the same, not some of them.
    #[arg(long)]
    pub verify: bool,
    /// Makes no review copies: the small movies to look at, with timecode and sound.
    #[arg(long)]
    pub no_review: bool,
    /// Reel names in pulls.edl: in full, or of eight letters with a map of them.
    #[arg(long, value_name = "REELS")]
    pub edl: Option<EdlChoice>,
}

impl Back {
    /// Returns how a turnover is handed back.
    pub fn hand_back(&self, replace_cut: bool) -> HandBack {
        HandBack {
            out: self.out.clone(),
            markers: self.markers.into(),
            plates: self.plates.into(),
            with_temp: self.with_temp,
            zero_based: self.zero_based,
            replace_cut,
            no_review: self.no_review,
            edl: self.edl.map(Into::into),
        }
    }
}

/// `compare`.
#[derive(Debug, Args)]
pub struct Compare {
    /// The cut before, or the folder that turnover filled from it.
    pub old: PathBuf,
    /// The cut now, or such a folder.
    pub new: PathBuf,
    /// With -o: plate logs; if none is given, those of the old turnover.
    #[arg(long, value_name = "LOG", num_args = 1..)]
    pub log: Vec<PathBuf>,
    /// With -o: folders with media, searched with all their subfolders.
    #[arg(long, value_name = "DIR", num_args = 1..)]
    pub media: Vec<PathBuf>,
    /// Hands the new cut back into this folder, going on from the turnover OLD.
    #[arg(short, long, value_name = "OUT")]
    pub out: Option<PathBuf>,
    /// Handle frames before and after each use, in cut frames: N, or N:M.
    #[arg(long, value_name = "N[:M]", value_parser = handles)]
    pub handles: Option<(u32, u32)>,
    /// With -o: looks at uses in no log, too, also if the old turnover did not.
    #[arg(long)]
    pub all: bool,
    /// With -o: all bytes of media and renders tell whether they are the same, also if they did
    /// not for the old turnover.
    #[arg(long)]
    pub verify: bool,
    /// A TOML file with limits and choices, in place of those of the old turnover.
    #[arg(long, value_name = "FILE")]
    pub settings: Option<PathBuf>,
    /// Prints the comparison as JSON to standard output.
    #[arg(long)]
    pub json: bool,
    /// Prints nothing but faults.
    #[arg(long)]
    pub quiet: bool,
    /// Threads for reading and writing pictures.
    #[arg(long, value_name = "N", default_value_t = 2, value_parser = clap::value_parser!(u32).range(1..=64))]
    pub jobs: u32,
}

/// `finish`.
#[derive(Debug, Args)]
pub struct Finish {
    /// The folder that turnover filled.
    pub turnover: PathBuf,
    /// Folders with full-size pulls; may be given several times.
    #[arg(long, value_name = "PULLS", required = true, num_args = 1..)]
    pub media: Vec<PathBuf>,
    /// What is given back, and where.
    #[command(flatten)]
    pub back: Back,
    /// Looks at uses in no log, too, also if the turnover did not.
    #[arg(long)]
    pub all: bool,
    /// A TOML file with limits and choices, in place of those of the turnover.
    #[arg(long, value_name = "FILE")]
    pub settings: Option<PathBuf>,
    /// Prints findings.json to standard output.
    #[arg(long)]
    pub json: bool,
    /// Prints nothing but faults.
    #[arg(long)]
    pub quiet: bool,
    /// Threads for reading and writing pictures.
    #[arg(long, value_name = "N", default_value_t = 2, value_parser = clap::value_parser!(u32).range(1..=64))]
    pub jobs: u32,
}

/// `inspect`.
#[derive(Debug, Args)]
pub struct Inspect {
    /// A media file, one file of an image sequence or its folder, or a folder of takes.
    pub take: PathBuf,
    /// Plate logs: CSV, JSON, reports, sound files, or folders of these; without them plates
    /// and boom are looked for.
    #[arg(long, value_name = "LOG", num_args = 1..)]
    pub log: Vec<PathBuf>,
    /// A TOML file that says what columns of logs with unknown headings hold.
    #[arg(long, value_name = "FILE")]
    pub map: Option<PathBuf>,
    /// Writes a page to look at: for a folder of takes, the folder that gets one page a take.
    #[arg(short, long, value_name = "PAGE.html")]
    pub out: Option<PathBuf>,
    /// Prints what was found as JSON.
    #[arg(long)]
    pub json: bool,
    /// With --json: every frame's figures as well.
    #[arg(long)]
    pub series: bool,
    /// Rate of an image sequence that does not say it.
    #[arg(long, value_name = "RATE")]
    pub rate: Option<String>,
    /// A TOML file with limits and choices.
    #[arg(long, value_name = "FILE")]
    pub settings: Option<PathBuf>,
    /// Threads for reading pictures.
    #[arg(long, value_name = "N", default_value_t = 2, value_parser = clap::value_parser!(u32).range(1..=64))]
    pub jobs: u32,
    /// Holds every Nth frame against the plates: 1 all, 2 every second. Without it all of a take
    /// of up to 960 frames, of a longer one about as many. Plates and boom are looked for in
    /// all frames either way; what crosses the patch within N frames may be missed.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=8))]
    pub every: Option<u32>,
    /// Prints the first line alone.
    #[arg(long)]
    pub quiet: bool,
    /// Looks at each take of the folder as it lands; keeps day.html, a page a take and a plate
    /// log, platelog.json, in the folder after -o.
    #[arg(long, requires = "out", conflicts_with_all = ["json", "series"])]
    pub watch: bool,
    /// With --watch: ends when nothing new has come for so many seconds.
    #[arg(long, value_name = "SECONDS", requires = "watch")]
    pub until_idle: Option<u32>,
}

/// `loop`.
#[derive(Debug, Args)]
pub struct Loop {
    /// The media file, one file of an image sequence, or its folder.
    pub media: PathBuf,
    /// The plate's frames: two timecodes or two file frames (#12-#60); out exclusive.
    #[arg(long, value_name = "IN-OUT")]
    pub plate: String,
    /// Length of the loop in frames.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=10_000_000))]
    pub length: u64,
    /// The file to write (for image sequences the folder); the ending may be left out.
    #[arg(short, long, value_name = "FILE")]
    pub out: PathBuf,
    /// How the loop turns.
    #[arg(long, value_name = "HOW", default_value = "auto")]
    pub turns: TurnsChoice,
    /// Timecode of the loop's first frame; without it the plate's own.
    #[arg(long, value_name = "TIMECODE")]
    pub timecode: Option<String>,
    /// Rate of an image sequence that does not say it.
    #[arg(long, value_name = "RATE")]
    pub rate: Option<String>,
    /// A TOML file with limits and choices.
    #[arg(long, value_name = "FILE")]
    pub settings: Option<PathBuf>,
    /// Threads for reading pictures.
    #[arg(long, value_name = "N", default_value_t = 2, value_parser = clap::value_parser!(u32).range(1..=64))]
    pub jobs: u32,
    /// Replaces an existing file.
    #[arg(long)]
    pub force: bool,
    /// Prints what was made as JSON.
    #[arg(long)]
    pub json: bool,
    /// Prints nothing but faults.
    #[arg(long)]
    pub quiet: bool,
}

/// `log`.
#[derive(Debug, Args)]
pub struct Log {
    /// Logs: CSV, JSON, reports, sound files, or folders of these.
    #[arg(required = true)]
    pub logs: Vec<PathBuf>,
    /// The log to write: .json or .csv.
    #[arg(long, value_name = "FILE")]
    pub to: Option<PathBuf>,
    /// A TOML file that says what columns with unknown headings hold.
    #[arg(long, value_name = "FILE")]
    pub map: Option<PathBuf>,
    /// A TOML file with limits and choices.
    #[arg(long, value_name = "FILE")]
    pub settings: Option<PathBuf>,
    /// Prints the log as JSON.
    #[arg(long)]
    pub json: bool,
    /// Prints nothing but faults.
    #[arg(long)]
    pub quiet: bool,
    /// Replaces an existing file.
    #[arg(long)]
    pub force: bool,
}

/// `setcard`.
#[derive(Debug, Args)]
pub struct Setcard {
    /// The shots of the day: a table.
    pub shotlist: Option<PathBuf>,
    /// The file to write: .html or .txt; without it the text is printed.
    #[arg(short, long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// The language: en, de, or a translation file.
    #[arg(long, value_name = "FILE")]
    pub language: Option<PathBuf>,
    /// Handle frames before and after each shot: N, or N:M.
    #[arg(long, value_name = "N[:M]", value_parser = handles)]
    pub handles: Option<(u32, u32)>,
    /// A TOML file that says what columns with unknown headings hold.
    #[arg(long, value_name = "FILE")]
    pub map: Option<PathBuf>,
    /// A TOML file with limits and choices.
    #[arg(long, value_name = "FILE")]
    pub settings: Option<PathBuf>,
    /// Replaces an existing file.
    #[arg(long)]
    pub force: bool,
}

/// `strip`.
#[derive(Debug, Args)]
pub struct Strip {
    /// The timeline.
    pub cut: PathBuf,
    /// The file to write.
    #[arg(short, long, value_name = "FILE")]
    pub out: PathBuf,
    /// Replaces an existing file.
    #[arg(long)]
    pub force: bool,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_consistent() {
        use clap::CommandFactory;
        CommandLine::command().debug_assert();
    }

    #[test]
    fn the_cut_may_stand_before_or_behind_the_logs() {
        for line in [
            "platesmith check cut.otio --log a.csv b.csv --media m",
            "platesmith check --log a.csv --log b.csv --media m cut.otio",
            "platesmith check --media m --log a.csv b.csv cut.otio",
        ] {
            let parsed = CommandLine::try_parse_from(line.split(' ')).expect("it is complete");
            let Command::Check(check) = parsed.command else { panic!("it is a check") };
            assert_eq!(check.cut.cut(), Some("cut.otio".into()), "{line}");
            assert_eq!(check.cut.logs(), [PathBuf::from("a.csv"), "b.csv".into()], "{line}");
            assert_eq!(check.cut.media_folders(), [PathBuf::from("m")], "{line}");
        }
    }
}
