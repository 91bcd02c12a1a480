//! Renders the sample show: an invented film with a boom in every kind of place.
//!
//! ```text
//! cargo run --example sample_show -- OUTDIR [--only TAKE]... [--jobs N] [--clean] [--force]
//! cargo run --example sample_show -- OUTDIR --text-only
//! ```
//!
//! Media go to `OUTDIR/media`, the truth of every frame to `OUTDIR/truth`, with `--clean`
//! the same frames without their boom to `OUTDIR/clean`. What is whole and would come out
//! the same is kept. `--text-only` writes cut, log and expected verdicts and nothing else.

mod encode;
mod picture;
mod recorder;
mod script;
mod sound;
mod truth;

use script::Take;
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Everything that decides a picture; a change of any of it renders all takes again.
const SOURCES: [&str; 13] = [
    include_str!("encode.rs"),
    include_str!("truth.rs"),
    include_str!("picture/boom.rs"),
    include_str!("picture/camera.rs"),
    include_str!("picture/cloth.rs"),
    include_str!("picture/code.rs"),
    include_str!("picture/figure.rs"),
    include_str!("picture/foliage.rs"),
    include_str!("picture/hash.rs"),
    include_str!("picture/plane.rs"),
    include_str!("picture/sets.rs"),
    include_str!("picture/stage.rs"),
    include_str!("picture/surfaces.rs"),
];

struct Wish {
    out: PathBuf,
    only: Vec<String>,
    jobs: usize,
    clean: bool,
    force: bool,
    text_only: bool,
}

const USAGE: &str =
    "usage: sample_show OUTDIR [--only TAKE]... [--jobs N] [--clean] [--force] [--text-only]";

fn wish() -> Result<Wish, String> {
    let mut wish = Wish {
        out: PathBuf::new(),
        only: Vec::new(),
        jobs: 2,
        clean: false,
        force: false,
        text_only: false,
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        match word.as_str() {
            "--only" => {
                wish.only.push(words.next().ok_or("--only wants a take, such as A001C003")?)
            }
            "--jobs" => {
                let count = words.next().and_then(|text| text.parse().ok()).filter(|n| *n > 0);
                wish.jobs = count.ok_or("--jobs wants a number from 1")?;
            }
            "--clean" => wish.clean = true,
            "--force" => wish.force = true,
            "--text-only" => wish.text_only = true,
            _ if !word.starts_with('-') && wish.out.as_os_str().is_empty() => {
                wish.out = word.into()
            }
            _ => return Err(format!("\"{word}\" is not understood\n{USAGE}")),
        }
    }
    if wish.out.as_os_str().is_empty() {
        return Err(USAGE.into());
    }
    match wish.only.iter().find(|clip| script::takes::named(clip).is_none()) {
        Some(clip) => Err(format!("\"{clip}\" is no take of the show")),
        None => Ok(wish),
    }
}

fn main() -> ExitCode {
    match wish().and_then(|wish| run(&wish)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            eprintln!("error: {fault}");
            ExitCode::from(2)
        }
    }
}

fn run(wish: &Wish) -> Result<(), String> {
    if wish.text_only {
        return write_texts(&wish.out);
    }
    for folder in ["media", "truth", "sound"].iter().chain(wish.clean.then_some(&"clean")) {
        let folder = wish.out.join(folder);
        std::fs::create_dir_all(&folder).map_err(|io| format!("{}: {io}", folder.display()))?;
    }
    recorder::write(&wish.out.join("sound"))?;
    sound::write(&wish.out.join("media"), script::otio::cut_frames())?;
    let named =
        |take: &Take| wish.only.is_empty() || wish.only.iter().any(|clip| clip == take.clip);
    let mut takes: Vec<Take> = script::takes::all().into_iter().filter(named).collect();
    // The longest first, so that no worker ends with a long take alone.
    takes.sort_by_key(|take| std::cmp::Reverse(take.frames * take.width * take.height));
    let (next, faults) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..wish.jobs {
            scope.spawn(|| {
                while let Some(take) = takes.get(next.fetch_add(1, Ordering::Relaxed)) {
                    if let Err(fault) = shoot(take, wish) {
                        faults.lock().expect("no worker panics").push(fault);
                    }
                }
            });
        }
    });
    let faults = faults.into_inner().expect("no worker panics");
    if faults.is_empty() { Ok(()) } else { Err(faults.join("\nerror: ")) }
}

fn shoot(take: &Take, wish: &Wish) -> Result<(), String> {
    let media = wish.out.join("media");
    let page = wish.out.join("truth").join(format!("{}.json", take.clip));
    let stamp = parameters(take);
    if wish.clean {
        encode::render_clean(take, &wish.out.join("clean"))?;
        eprintln!("{}: clean frames rendered", take.clip);
    }
    if !wish.force && is_whole(take, &media, &page, &stamp) {
        eprintln!("{}: kept", take.clip);
        return Ok(());
    }
    let (frames, moving) = encode::render(take, &media)?;
    let bytes = encode::size(take, &media).ok_or("the rendered file is gone")?;
    let text = truth::page(take, &frames, moving, (&stamp, bytes));
    write(&page, &text)?;
    eprintln!("{}: {} frames rendered", take.clip, take.frames);
    Ok(())
}

/// Hash of what decides the bytes of a take.
fn parameters(take: &Take) -> String {
    let mut hash = Sha256::new();
    SOURCES.iter().for_each(|source| hash.update(source));
    hash.update(format!("{take:?}"));
    hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

fn is_whole(take: &Take, media: &Path, page: &Path, stamp: &str) -> bool {
    let known = std::fs::read_to_string(page)
        .ok()
        .and_then(|text| serde_json::from_str::<serde_json::Value>(&text).ok());
    known.is_some_and(|page| {
        page["render"]["parameters"] == stamp
            && page["render"]["bytes"].as_u64() == encode::size(take, media)
    })
}

fn write_texts(out: &Path) -> Result<(), String> {
    let (cut, rows) = script::otio::cut();
    let expected = out.join("expected");
    for folder in [&expected, &out.join("sound")] {
        std::fs::create_dir_all(folder).map_err(|io| format!("{}: {io}", folder.display()))?;
    }
    write(&out.join("cut.otio"), &cut)?;
    write(&out.join("log.csv"), &script::log::log())?;
    write(&out.join("three_shots.otio"), &script::excerpt::locked())?;
    write(&out.join("three_shots_v2.otio"), &script::excerpt::recut())?;
    write(&out.join("shots_to_come.csv"), script::sound_report::shots())?;
    write(&out.join("sound").join("report.csv"), script::sound_report::report())?;
    write(&expected.join("verdicts.csv"), &script::expected::table(&rows))
}

/// Writes a text under a temporary name first, so that it is never half there.
fn write(path: &Path, text: &str) -> Result<(), String> {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let partial = path.with_file_name(format!("partial-{name}"));
    std::fs::write(&partial, text).map_err(|io| format!("{}: {io}", partial.display()))?;
    std::fs::rename(&partial, path).map_err(|io| format!("{}: {io}", path.display()))
}
