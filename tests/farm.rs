//! A turnover rendered shot by shot by a runner of Open Job Description templates (`openjd`, the
//! reference runner of specification 2023-09) comes to the same bytes as one in one piece.

mod little_show;
mod outside;

use little_show::{Clip, LOG, LittleShow, cut_json, little_show, run, used_of_take};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

/// A folder name that a shell would not leave alone.
const ODD: &str = "we ird'; exit 3; {{Param.Out}} $(x) #";

/// Three shots: two of one take, which are measured together, and one of another.
fn show() -> Option<LittleShow> {
    let mut show = little_show()?;
    let odd = show.folder.path().join(ODD);
    std::fs::create_dir(&odd).expect("made");
    for name in ["media", "log.csv"] {
        std::fs::rename(show.folder.path().join(name), odd.join(name)).expect("moved");
    }
    (show.media, show.log, show.cut) =
        (odd.join("media"), odd.join("log.csv"), odd.join("cut.otio"));
    let media = |take: &str| show.media.join(format!("{take}.mov"));
    std::fs::copy(media("A001C001"), media("A001C002")).expect("copied");
    let second = LOG.lines().last().expect("a row").replace("A001C001", "A001C002");
    std::fs::write(&show.log, format!("{LOG}{}\n", second.replace("12,3", "12,4")))
        .expect("written");
    let used = |start: i64, take: &'static str| Clip {
        start: used_of_take().start + start,
        name: take,
        url: format!("media/{take}.mov"),
        frames: 20,
        ..used_of_take()
    };
    let clips = [used(0, "A001C001"), used(40, "A001C001"), used(8, "A001C002")];
    std::fs::write(&show.cut, cut_json("farm", &clips)).expect("written");
    Some(show)
}

fn text(path: &Path) -> String {
    path.to_str().expect("a text").to_string()
}

/// The words of a turnover into `out`.
fn words(show: &LittleShow, out: &Path, more: &[&str]) -> Vec<String> {
    let given =
        [text(&show.cut), "--log".into(), text(&show.log), "--media".into(), text(&show.media)];
    let rest =
        ["-o".into(), text(out), "--quiet".into(), "--with-temp".into(), "--handles=4".into()];
    let more = more.iter().map(ToString::to_string);
    ["turnover".to_string()].into_iter().chain(given).chain(rest).chain(more).collect()
}

fn turnover(show: &LittleShow, out: &Path, more: &[&str]) -> (i32, String) {
    let words = words(show, out, more);
    let (code, _, said) = run(&words.iter().map(String::as_str).collect::<Vec<_>>());
    (code, said)
}

/// Every file below a folder with its bytes.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(at) = open.pop() {
        for entry in std::fs::read_dir(&at).into_iter().flatten() {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                open.push(path);
            } else {
                let bytes = std::fs::read(&path).expect("there");
                found.insert(path.strip_prefix(folder).expect("below").to_path_buf(), bytes);
            }
        }
    }
    found
}

/// A template and its values, and who runs them.
struct Farm {
    openjd: PathBuf,
    template: PathBuf,
    values: PathBuf,
}

impl Farm {
    fn asked(&self, what: &str, more: &[&str]) -> Output {
        let mut command = Command::new(&self.openjd);
        command.arg(what).arg(&self.template);
        if what != "check" {
            command.arg("-p").arg(format!("file://{}", text(&self.values)));
            command.arg("-p").arg(format!("Program={}", env!("CARGO_BIN_EXE_platesmith")));
        }
        command.args(more).output().expect("openjd runs")
    }

    fn run(&self, more: &[&str]) -> bool {
        self.asked("run", more).status.success()
    }
}

#[test]
fn a_farm_comes_to_the_same_bytes_as_one_machine() {
    let (Some(openjd), Some(show)) = (outside::openjd(), show()) else { return };
    let at = |name: &str| show.folder.path().join(name);
    let (whole, out) = (at("whole"), at("out"));
    let (code, said) = turnover(&show, &whole, &[]);
    assert!(code < 2, "{said}");

    let (code, said) = turnover(&show, &out, &["--plan"]);
    assert!(code < 2 && said.contains("3 shots to render"), "{said}");
    assert!(files(&out).keys().all(|file| file.starts_with(".plan")), "nothing is rendered yet");
    let farm = Farm { openjd, template: at("job.json"), values: at("values.json") };
    assert_eq!(run(&["jobs", &text(&out), "-o", &text(&farm.template)]).0, 0);
    assert_eq!(run(&["jobs", &text(&out), "--values", "-o", &text(&farm.values)]).0, 0);
    let checked = farm.asked("check", &[]);
    assert!(checked.status.success(), "{checked:?}");
    let template: Value = read(&farm.template);
    let range = &template["steps"][0]["parameterSpace"]["taskParameterDefinitions"][0]["range"];
    let shots: Vec<String> = serde_json::from_value(range.clone()).expect("names");
    assert_eq!(shots.len(), 3);

    killed(&show, &out, &shots[1]);
    let (code, said) = turnover(&show, &out, &["--collect"]);
    assert!(code == 2 && shots.iter().all(|shot| said.contains(shot.as_str())), "{said}");
    assert!(!out.join("findings.json").exists());

    let ran = farm.asked("run", &["--step", "Render"]);
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stdout));
    // A byte is lost on the way, where no receipt looks.
    let temp = files(&out.join("temp")).into_iter().max_by_key(|(_, bytes)| bytes.len());
    let (name, mut bytes) = temp.expect("a temp comp");
    let temp = out.join("temp").join(&name);
    let third = bytes.len() / 3;
    bytes[third] ^= 1;
    std::fs::write(&temp, &bytes).expect("written");
    assert!(!farm.run(&["--step", "Collect", "--no-run-dependencies"]));
    let (code, said) = turnover(&show, &out, &["--collect"]);
    assert!(code == 2 && said.contains(&text(&name)), "{said}");
    std::fs::remove_file(&temp).expect("removed");
    let shot = shots.iter().find(|shot| text(&name).starts_with(shot.as_str())).expect("its shot");
    let again = json!([{"Shot": shot}]).to_string();
    assert!(farm.run(&["--step", "Render", "--tasks", &again]));
    for _ in 0..2 {
        let ran = farm.asked("run", &["--step", "Collect", "--no-run-dependencies"]);
        assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stdout));
    }
    let (found, wanted) = (files(&out), files(&whole));
    assert_eq!(found.keys().collect::<Vec<_>>(), wanted.keys().collect::<Vec<_>>());
    for (file, bytes) in &wanted {
        assert!(found.get(file) == Some(bytes), "{}: other bytes", file.display());
    }
    let rendered = |folder: &str| wanted.keys().filter(|file| file.starts_with(folder)).count();
    assert!(rendered("plates") == 3 && rendered("temp") == 3, "{:?}", wanted.keys());
}

fn read(path: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(path).expect("there")).expect("JSON")
}

/// Begins to render a shot, and kills it once something of it is there.
fn killed(show: &LittleShow, out: &Path, shot: &str) {
    let mut task = Command::new(env!("CARGO_BIN_EXE_platesmith"))
        .args(words(show, out, &["--only", shot]))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("runs");
    let begun = Instant::now();
    let some = || files(out).keys().any(|file| file.starts_with("plates"));
    while !some() && begun.elapsed() < Duration::from_secs(60) {
        std::thread::sleep(Duration::from_millis(1));
    }
    assert!(
        task.try_wait().expect("it can be asked").is_none(),
        "it was over before it was killed"
    );
    task.kill().expect("it can be killed");
    task.wait().expect("it ends");
    assert_eq!(std::fs::read_dir(out.join(".plan/done")).expect("there").count(), 0);
}

/// Past 1,024 shots tasks are numbers into the plan. The limit is the specification's (2023-09,
/// Template Schemas); the runner checks it.
#[test]
fn a_long_job_is_accepted_by_the_runner() {
    let Some(openjd) = outside::openjd() else { return };
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    std::fs::create_dir(at(".plan")).expect("made");
    let shots: Vec<Value> = (0..1500)
        .map(|at| json!({"shot": format!("S_{at}"), "at": at, "pointer": "", "with": [at]}))
        .collect();
    let words = json!([{"file": "/cut.otio"}, {"text": ["--timeline", "{{A"]}]);
    let plan =
        json!({"schema": "platesmith.plan/1", "cut": "{{long", "words": words, "shots": shots});
    std::fs::write(at(".plan/plan.json"), plan.to_string()).expect("written");
    let farm = Farm { openjd, template: at("job.json"), values: at("values.json") };
    let out = text(folder.path());
    assert_eq!(run(&["jobs", &out, "-o", &text(&farm.template)]).0, 0);
    assert_eq!(run(&["jobs", &out, "--values", "-o", &text(&farm.values)]).0, 0);
    let told = farm.asked("summary", &[]);
    let told = String::from_utf8_lossy(&told.stdout).into_owned();
    assert!(told.contains("Total tasks: 1501"), "{told}");
    let own = Farm {
        openjd: farm.openjd.clone(),
        template: outside::project().join("adapters/farm/template.json"),
        values: farm.values.clone(),
    };
    assert!(own.asked("check", &[]).status.success());
}

#[test]
fn without_a_plan_there_are_no_jobs() {
    let folder = tempfile::tempdir().expect("a folder");
    let (code, out, said) = run(&["jobs", &text(folder.path())]);
    assert!(code == 2 && out.is_empty() && said.contains("--plan"), "{said}");
}
