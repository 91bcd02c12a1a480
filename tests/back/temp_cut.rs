//! What a turnover does with mattes and temp comps, on a show made on the spot.

use crate::little_show;
use crate::outside;

use little_show::{LittleShow, cut_json, little_show, used_of_take};
use serde_json::Value;

fn json(path: &std::path::Path) -> Value {
    serde_json::from_slice(&std::fs::read(path).expect("there")).expect("JSON")
}

fn only_use(show: &LittleShow) -> Value {
    show.findings()["uses"][0].clone()
}

#[test]
fn the_cut_with_temp_comps_differs_in_nothing_but_the_reference() {
    let Some(show) = little_show() else { return };
    let (code, err) = show.turnover(&["--with-temp"]);
    assert!(code < 2, "{err}");
    let found = only_use(&show);
    for (key, folder) in [("matte", "mattes/"), ("temp_comp", "temp/")] {
        let file = found[key].as_str().unwrap_or_else(|| panic!("no {key}: {found:#}"));
        assert!(file.starts_with(folder) && show.out.join(file).is_file(), "{file}");
    }
    let written = show.out.join("temp_cut.otio");
    let (before, mut after) = (json(&show.cut), json(&written));
    let clip = "/tracks/children/0/children/0";
    let place = format!("{clip}/media_references/DEFAULT_MEDIA");
    let reference = after.pointer(&place).expect("a reference").clone();
    assert_eq!(format!("{}", reference["target_url"].as_str().expect("a URL")), found["temp_comp"]);
    // Need is 8 frames longer at both ends than the two seconds used: its head is the comp's.
    let start = &after.pointer(clip).expect("a clip")["source_range"]["start_time"]["value"];
    let range = &reference["available_range"];
    let head = start.as_f64().expect("a number")
        - range["start_time"]["value"].as_f64().expect("a number");
    assert_eq!((head, range["duration"]["value"].as_f64()), (8.0, Some(64.0)));
    *after.pointer_mut(&place).expect("a reference") = before.pointer(&place).expect("one").clone();
    assert_eq!(after, before);
    // Byte for byte: what stands before and after the reference is as it was.
    let (old, new) =
        (std::fs::read(&show.cut).expect("there"), std::fs::read(&written).expect("there"));
    let same = |a: &mut dyn Iterator<Item = (&u8, &u8)>| a.take_while(|(a, b)| a == b).count();
    let head = same(&mut old.iter().zip(&new));
    let tail = same(&mut old.iter().rev().zip(new.iter().rev()));
    let changed = String::from_utf8_lossy(&old[head..old.len() - tail]).into_owned();
    assert!(!changed.contains("source_range") && !changed.contains("Clip."), "{changed}");
    let bytes =
        std::fs::read(show.out.join(found["temp_comp"].as_str().expect("a file"))).expect("there");
    let (code, err) = show.turnover(&["--with-temp"]);
    assert!(code < 2, "{err}");
    assert_eq!(only_use(&show)["temp_comp"], found["temp_comp"], "nothing has changed");
    assert_eq!(std::fs::read(&written).expect("there"), new);
    assert_eq!(
        std::fs::read(show.out.join(found["temp_comp"].as_str().expect("a file"))).expect("there"),
        bytes
    );
    let Some(python) = outside::python() else { return };
    // The timeline format's own library as strict reader.
    let script = "import sys, opentimelineio as o\n\
        t = o.adapters.read_from_file(sys.argv[1])\n\
        c = next(iter(t.find_clips()))\n\
        r = c.media_reference.available_range\n\
        print(r.contains(c.trimmed_range()), c.media_reference.target_url)";
    let run = std::process::Command::new(python)
        .args(["-c", script])
        .arg(&written)
        .output()
        .expect("runs");
    let told = String::from_utf8_lossy(&run.stdout).trim().to_string();
    assert_eq!(told, format!("True {}", found["temp_comp"].as_str().expect("a file")));
}

#[test]
fn what_comes_from_a_proxy_lies_apart_and_says_so() {
    let Some(show) = little_show() else { return };
    let proxy = show.media.join("A001C001_proxy.mov");
    std::fs::rename(show.media.join("A001C001.mov"), &proxy).expect("renamed");
    let mut clip = used_of_take();
    clip.url = "media/A001C001_proxy.mov".into();
    std::fs::write(&show.cut, cut_json("little show", &[clip])).expect("written");
    let (code, err) = show.turnover(&[]);
    assert!(code < 2, "{err}");
    let found = only_use(&show);
    assert_eq!(found["picture"], "proxy");
    for file in [&found["plate"]["file"], &found["matte"], &found["temp_comp"]] {
        let file = file.as_str().unwrap_or_else(|| panic!("{found:#}"));
        assert!(file.starts_with("preview/") && show.out.join(file).is_file(), "{file}");
    }
    for folder in ["plates", "mattes", "temp"] {
        assert!(!show.out.join(folder).exists(), "{folder}");
    }
    assert!(!show.out.join("temp_cut.otio").exists(), "nobody asked for it");
    let report = std::fs::read_to_string(show.out.join("report.html")).expect("there");
    assert!(report.contains("previews to look at, not for final work"));
}

#[test]
fn without_a_measured_region_there_is_no_temp_comp_and_the_report_says_so() {
    let Some(show) = little_show() else { return };
    let settings = show.folder.path().join("settings.toml");
    std::fs::write(&settings, "measure = false\n").expect("written");
    let (code, err) =
        show.turnover(&["--settings", &settings.display().to_string(), "--with-temp"]);
    assert!(code < 2, "{err}");
    let found = only_use(&show);
    assert!(found["plate"]["file"].is_string(), "{found:#}");
    assert!(found["matte"].is_null() && found["temp_comp"].is_null());
    let report = std::fs::read_to_string(show.out.join("report.html")).expect("there");
    assert!(report.contains("the region of the patch was not measured"));
    let [cut, temp] = [&show.cut, &show.out.join("temp_cut.otio")]
        .map(|file| std::fs::read_to_string(file).expect("there"));
    // The output folder lies beside the media folder (RFC 3986, 5.2).
    let told_from_out = cut.replace("\"media/A001C001.mov\"", "\"../media/A001C001.mov\"");
    assert_eq!(told_from_out, temp, "nothing is swapped");
    let (code, err) = show.turnover(&["--no-picture"]);
    assert!(code < 2, "{err}");
    assert!(only_use(&show)["temp_comp"].is_null());
}
