//! Copied plates: every frame is the source frame the map names, compared with
//! `ffmpeg -f framemd5`; tags and timecode as `ffprobe` reads them.

use crate::outside;
use crate::pictures;
use crate::plates;

use pictures::{ffmpeg, opened};
use plates::{job, looped, made, probed, shows_the_map, start};
use platesmith::media::Media;
use platesmith::plate::{FrameMap, Method, make_plate, make_version};
use platesmith::settings::Turns;
use platesmith::time::{Frame, Rate};
use std::path::{Path, PathBuf};

const PICTURE: &str = "testsrc2=s=320x180:r=24000/1001,noise=alls=10:allf=t";

/// Makes 40 frames of 320x180 at 24000/1001 from 01:00:00:00.
fn source(folder: &Path, name: &str, coding: &str) -> PathBuf {
    let path = folder.join(name);
    let mut words = vec!["-f", "lavfi", "-i", PICTURE, "-frames:v", "40"];
    words.extend(coding.split_whitespace());
    let text = path.to_str().expect("UTF-8");
    words.extend(["-timecode", "01:00:00:00", text]);
    assert!(ffmpeg(&words), "{name}");
    path
}

#[rstest::rstest]
#[case("prores.mov", "-c:v prores_ks -profile:v 3 -pix_fmt yuv422p10le", "mov")]
#[case("prores.mkv", "-c:v prores_ks -profile:v 3 -pix_fmt yuv422p10le", "mkv")]
#[case("dnxhr.mov", "-c:v dnxhd -profile:v dnxhr_hq -pix_fmt yuv422p", "mov")]
#[case("dnxhr.mxf", "-c:v dnxhd -profile:v dnxhr_hq -pix_fmt yuv422p", "mxf")]
#[case("mjpeg.mov", "-c:v mjpeg -q:v 3 -pix_fmt yuvj422p", "mov")]
#[case("mjpeg.avi", "-c:v mjpeg -q:v 3 -pix_fmt yuvj422p", "mov")]
#[case("jpeg2000.mov", "-c:v jpeg2000 -pix_fmt yuv422p10le -vf scale=64:36", "mov")]
#[case("cineform.mov", "-c:v cfhd -pix_fmt yuv422p10le", "mov")]
#[case("v210.mov", "-c:v v210", "mov")]
#[case("raw.mov", "-c:v rawvideo -pix_fmt uyvy422", "mov")]
#[case("ffv1.mkv", "-c:v ffv1 -level 3 -g 1", "mkv")]
#[case("ffv1.avi", "-c:v ffv1 -level 3 -g 1", "mkv")]
fn coded_frames_that_stand_alone_are_copied(
    #[case] name: &str,
    #[case] coding: &str,
    #[case] container: &str,
) {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = source(folder.path(), name, coding);
    let media = opened(&path);
    for (turns, word) in [(Turns::Once, "once"), (Turns::Twice, "twice")] {
        let map = looped(5, 17, 100, turns);
        let plate = made(&job(&media, &map, &folder.path().join(word)));
        assert_eq!((plate.method, plate.encode_reason.as_ref()), (Method::Copy, None));
        assert_eq!(plate.path.extension().and_then(|e| e.to_str()), Some(container));
        shows_the_map(&path, &plate, &map);
    }
}

#[test]
fn prores_in_mxf_is_copied() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let coding = "-c:v prores_ks -profile:v 3 -pix_fmt yuv422p10le";
    let mov = source(folder.path(), "a.mov", coding);
    let path = folder.path().join("a.mxf");
    let rate = ["-r", "24000/1001", "-i", mov.to_str().expect("UTF-8")];
    let rest =
        ["-map", "0:v", "-c", "copy", "-timecode", "01:00:00:00", path.to_str().expect("UTF-8")];
    assert!(ffmpeg(&[&rate[..], &rest[..]].concat()));
    let media = opened(&path);
    let map = looped(5, 17, 100, Turns::Twice);
    let plate = made(&job(&media, &map, &folder.path().join("PLATE")));
    assert_eq!(plate.method, Method::Copy);
    shows_the_map(&path, &plate, &map);
    assert!(probed(&plate.path, "format_tags").contains(&"TAG:timecode=01:00:00:00".to_owned()));
}

#[test]
fn two_seconds_fill_fourteen() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    // Common practice: 48 frames into 336 are exactly 7 passes with turns shown twice.
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("a.mov");
    let text = path.to_str().expect("UTF-8");
    let picture = "testsrc2=s=160x90:r=24";
    assert!(ffmpeg(&["-f", "lavfi", "-i", picture, "-frames:v", "48", "-c:v", "mjpeg", text]));
    let media = opened(&path);
    for (turns, word, passes) in [(Turns::Twice, "twice", 7), (Turns::Once, "once", 8)] {
        let map = looped(0, 48, 336, turns);
        let plate = made(&job(&media, &map, &folder.path().join(word)));
        assert_eq!((plate.frames, map.passes()), (336, passes));
        shows_the_map(&path, &plate, &map);
        let lines = probed(&plate.path, "stream=nb_frames,duration,r_frame_rate,avg_frame_rate");
        for line in
            ["nb_frames=336", "duration=14.000000", "r_frame_rate=24/1", "avg_frame_rate=24/1"]
        {
            assert!(lines.contains(&line.to_owned()), "{line} not in {lines:?}");
        }
    }
}

#[test]
fn a_trim_with_a_hidden_packet_is_found_by_time() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let whole = source(folder.path(), "a.mov", "-c:v prores_ks -profile:v 1 -pix_fmt yuv422p10le");
    let path = folder.path().join("trim.mov");
    let text = path.to_str().expect("UTF-8");
    // Half a frame in: the program keeps the frame before and hides it with an edit list.
    let words = ["-ss", "0.27", "-i", whole.to_str().expect("UTF-8"), "-map", "0:v"];
    let words = [&words[..], &["-c", "copy", "-write_tmcd", "0", text]].concat();
    assert!(ffmpeg(&words));
    let flags = probed(&path, "packet=flags");
    assert!(flags[0].contains('D'), "the fixture hides its first packet: {flags:?}");
    let media = opened(&path);
    assert_eq!(media.info().frames as usize, flags.iter().filter(|f| !f.contains('D')).count());
    let map = looped(0, 9, 40, Turns::Once);
    let plate = made(&job(&media, &map, &folder.path().join("PLATE")));
    assert_eq!(plate.method, Method::Copy);
    shows_the_map(&path, &plate, &map);
    assert!(probed(&plate.path, "packet=flags").iter().all(|flags| !flags.contains('D')));
}

#[test]
fn frames_that_lean_on_others_are_not_copied() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let map = looped(5, 17, 30, Turns::Twice);
    for (name, coding, says) in [
        ("gop.mkv", "-c:v ffv1 -level 3 -g 10", "no key frame"),
        ("long.mov", "-c:v libx264 -g 1 -pix_fmt yuv422p10le", "do not stand alone"),
    ] {
        let path = source(folder.path(), name, coding);
        let media = opened(&path);
        let plate = made(&job(&media, &map, &folder.path().join(name.replace('.', "_"))));
        assert_eq!(plate.method, Method::Encode, "{name}");
        let why = plate.encode_reason.clone().unwrap_or_default();
        assert!(why.contains(says), "{name}: {why}");
        let planned = platesmith::plate::why_not_copied(&media, &map).expect("readable");
        assert_eq!(planned, plate.encode_reason, "{name}");
        if name == "gop.mkv" {
            shows_the_map(&path, &plate, &map); // FFV1 to FFV1: lossless.
        }
    }
}

/// SMPTE ST 12-1: labels as tabulated from the timeline format's library, read by `ffprobe`.
#[rstest::rstest]
#[case("30000/1001", "00:00:59;29", "mov")]
#[case("30000/1001", "00:10:00;00", "mxf")]
#[case("60000/1001", "00:01:00;04", "mov")]
#[case("24000/1001", "23:59:59:20", "mov")]
#[case("25", "23:59:59:24", "mxf")]
#[case("24", "00:00:00:00", "mov")]
#[case("30000/1001", "23:59:59;29", "mkv")]
fn timecode_is_read_back(#[case] rate: &str, #[case] label: &str, #[case] container: &str) {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join(format!("a.{container}"));
    let picture = format!("testsrc2=s=320x180:r={rate}");
    let text = path.to_str().expect("UTF-8");
    let coding: &[&str] = if container == "mkv" {
        &["-c:v", "ffv1", "-level", "3", "-g", "1"]
    } else {
        &["-c:v", "dnxhd", "-profile:v", "dnxhr_lb", "-pix_fmt", "yuv422p"]
    };
    let head = ["-f", "lavfi", "-i", &picture, "-frames:v", "9"];
    assert!(ffmpeg(&[&head[..], coding, &[text][..]].concat()));
    let media = opened(&path);
    let rate = Rate::parse(rate).expect("a rate");
    let map = looped(2, 6, 50, Turns::Twice);
    let mut job = job(&media, &map, &folder.path().join("SHOT_CP01_v001"));
    job.start = Some(start(rate, label));
    let plate = made(&job);
    assert_eq!(plate.method, Method::Copy);
    let tags = probed(&plate.path, "stream_tags:format_tags").join("\n").to_lowercase();
    assert!(tags.contains(&format!("tag:timecode={label}")), "{tags}");
    if container != "mxf" {
        assert!(tags.contains("tag:reel_name=shot_cp01_v001"), "{tags}");
    }
    let again = opened(&plate.path);
    assert_eq!(again.info().start, job.start);
    assert_eq!(again.info().rate, rate);
}

#[test]
fn a_start_past_midnight_wraps_in_the_label_only() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = source(folder.path(), "a.mov", "-c:v mjpeg -pix_fmt yuvj422p");
    let media = opened(&path);
    let map = looped(0, 4, 8, Turns::Once);
    let mut job = job(&media, &map, &folder.path().join("PLATE"));
    let mut past = start(media.info().rate, "23:59:59:23");
    past.frame = Frame(past.frame.0 + 2);
    job.start = Some(past);
    let tags = probed(&made(&job).path, "stream_tags=timecode");
    assert!(tags.contains(&"TAG:timecode=00:00:00:01".to_owned()), "{tags:?}");
}

#[test]
fn tags_of_the_source_stay() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let entries = "stream=codec_name,codec_tag_string,profile,width,height,pix_fmt,color_range,\
                   color_space,color_transfer,color_primaries,field_order,sample_aspect_ratio,r_frame_rate";
    let colour = "-color_primaries bt2020 -color_trc smpte2084 -colorspace bt2020nc";
    for (name, coding) in [
        (
            "p.mov",
            format!("-c:v prores_ks -profile:v 3 -pix_fmt yuv422p10le {colour} -vf setsar=4/3"),
        ),
        ("d.mov", format!("-c:v dnxhd -profile:v dnxhr_hqx -pix_fmt yuv422p10le {colour}")),
        ("d.mxf", format!("-c:v dnxhd -profile:v dnxhr_hqx -pix_fmt yuv422p10le {colour}")),
        ("f.mkv", format!("-c:v ffv1 -g 1 -pix_fmt yuv422p10le -color_range pc {colour}")),
        ("plain.mov", "-c:v prores_ks -profile:v 3 -pix_fmt yuv422p10le".to_owned()),
    ] {
        let path = source(folder.path(), name, &coding);
        let media = opened(&path);
        let map = looped(0, 4, 8, Turns::Once);
        let plate = made(&job(&media, &map, &folder.path().join(name.replace('.', "_"))));
        let only_picture =
            |path: &Path| -> Vec<String> { probed(path, entries).into_iter().take(13).collect() };
        assert_eq!(only_picture(&plate.path), only_picture(&path), "{name}");
        assert_eq!(opened(&plate.path).info().colour, media.info().colour, "{name}");
    }
}

fn bytes(path: &Path) -> Vec<u8> {
    std::fs::read(path).expect("readable")
}

fn entries(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .expect("a folder")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn two_runs_give_the_same_bytes_and_the_source_is_untouched() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    for (name, coding) in [
        ("p.mov", "-c:v prores_ks -profile:v 3 -pix_fmt yuv422p10le"),
        ("d.mxf", "-c:v dnxhd -profile:v dnxhr_hq -pix_fmt yuv422p"),
        ("f.mkv", "-c:v ffv1 -g 1"),
    ] {
        let path = source(folder.path(), name, coding);
        let before = (bytes(&path), path.metadata().expect("there").modified().expect("a time"));
        let media = opened(&path);
        let map = looped(3, 20, 60, Turns::Twice);
        let (one, two) = (tempfile::tempdir().expect("one"), tempfile::tempdir().expect("two"));
        let first = made(&job(&media, &map, &one.path().join("PLATE_v001")));
        std::thread::sleep(std::time::Duration::from_millis(1100)); // Past any date in seconds.
        let second = made(&job(&media, &map, &two.path().join("PLATE_v001")));
        assert!(bytes(&first.path) == bytes(&second.path), "{name}");
        let after = (bytes(&path), path.metadata().expect("there").modified().expect("a time"));
        assert!(before == after, "{name}: the source changed");
        let kept = made(&job(&media, &map, &one.path().join("PLATE_v001")));
        assert!(kept.kept && !first.kept);
        assert_eq!(entries(one.path()).len(), 1, "nothing else is left behind");
    }
}

#[test]
fn a_delivered_version_is_never_rewritten() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = source(folder.path(), "a.mov", "-c:v mjpeg -pix_fmt yuvj422p");
    let media = opened(&path);
    let plates = folder.path().join("plates");
    let stem = plates.join("S_CP01");
    let (short, long) = (looped(0, 6, 20, Turns::Twice), looped(0, 6, 21, Turns::Twice));
    let version = |map: &FrameMap| {
        let made = make_version(&job(&media, map, &stem), &mut |_, _| {}).expect("made");
        (made.path.file_name().expect("a name").to_string_lossy().into_owned(), made.kept)
    };
    assert_eq!(version(&short), ("S_CP01_v001.mov".into(), false));
    assert_eq!(version(&short), ("S_CP01_v001.mov".into(), true));
    assert_eq!(version(&long), ("S_CP01_v002.mov".into(), false));
    assert_eq!(version(&long), ("S_CP01_v002.mov".into(), true));
    assert_eq!(version(&short), ("S_CP01_v003.mov".into(), false));
    let taken = make_plate(&job(&media, &short, &plates.join("S_CP01_v002")), &mut |_, _| {});
    let message = taken.expect_err("other bytes are there").to_string();
    assert_eq!(message, "S_CP01_v002.mov: another file of this name is there, with other bytes");
    assert_eq!(entries(&plates), ["S_CP01_v001.mov", "S_CP01_v002.mov", "S_CP01_v003.mov"]);
}

#[test]
fn what_cannot_be_made_says_why_and_leaves_nothing() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = source(folder.path(), "a.mov", "-c:v prores_ks -profile:v 3 -pix_fmt yuv422p10le");
    let media = opened(&path);
    let map = looped(0, 6, 20, Turns::Twice);
    let fault = |job: &platesmith::plate::PlateJob<'_>| {
        make_plate(job, &mut |_, _| {}).expect_err("a fault").to_string()
    };
    let under_file = fault(&job(&media, &map, &path.join("PLATE")));
    assert!(under_file.starts_with("PLATE.mov: cannot be written: "), "{under_file}");
    let outside = looped(30, 50, 60, Turns::Twice);
    let message = fault(&job(&media, &outside, &folder.path().join("PLATE")));
    assert_eq!(message, "a.mov: the map asks for frames 30-49");
    let interlaced = folder.path().join("i.mov");
    let words =
        ["-i", path.to_str().expect("UTF-8"), "-vf", "setfield=tff", "-flags", "+ildct+ilme"];
    let rest = ["-c:v", "prores_ks", "-top", "1", interlaced.to_str().expect("UTF-8")];
    assert!(ffmpeg(&[&words[..], &rest[..]].concat()));
    let fields: Media = opened(&interlaced);
    let message = fault(&job(&fields, &map, &folder.path().join("PLATE")));
    assert!(message.starts_with("i.mov: interlaced: "), "{message}");
    let still = platesmith::plate::PlateJob {
        still: true,
        retouch: None,
        recipe: None,
        receipts: None,
        ..job(&fields, &map, &folder.path().join("STILL"))
    };
    assert_eq!(made(&still).method, Method::Copy);
    assert_eq!(entries(folder.path()), ["STILL.mov", "a.mov", "i.mov"]);
}

#[test]
fn a_full_disk_is_said_and_leaves_nothing() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = source(folder.path(), "a.mov", "-c:v prores_ks -profile:v 3 -pix_fmt yuv422p10le");
    let disk = folder.path().join("disk");
    std::fs::create_dir(&disk).expect("a folder");
    let run = |program: &str, words: &[&str]| {
        let run = std::process::Command::new(program).args(words).arg(&disk).output();
        run.is_ok_and(|run| run.status.success())
    };
    if !run("mount", &["-t", "tmpfs", "-o", "size=512k", "tmpfs"]) {
        eprintln!("SKIPPED: no small disk can be mounted here");
        return;
    }
    let media = opened(&path);
    let map = looped(0, 20, 400, Turns::Twice);
    let copied = make_plate(&job(&media, &map, &disk.join("PLATE")), &mut |_, _| {});
    let left = entries(&disk);
    let released = run("umount", &[]);
    let message = copied.expect_err("the disk is full").to_string();
    assert_eq!(message, "PLATE.mov: cannot be written: No space left on device");
    assert!(left.is_empty() && released, "{left:?}");
}

/// Real pictures beside the project.
#[rstest::rstest]
#[case("footage/formats/prores422hq_2997df.mov", "00:59:58;20")]
#[case("footage/formats/prores_proxy_23976.mov", "14:03:21:07")]
#[case("footage/formats/dnxhr_lb_23976.mxf", "01:02:03:04")]
#[case("footage/formats/dnxhr_hqx_10bit_midnight.mov", "23:59:59:20")]
fn real_pictures_are_copied(#[case] below: &str, #[case] label: &str) {
    let Some(path) = outside::shared(below) else { return };
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let media = opened(&path);
    let end = media.info().frames.min(20) as i64;
    let map = looped(3, end, 70, Turns::Twice);
    let plate = made(&job(&media, &map, &folder.path().join("PLATE_v001")));
    assert_eq!(plate.method, Method::Copy, "{:?}", plate.encode_reason);
    shows_the_map(&path, &plate, &map);
    let tags = probed(&plate.path, "stream_tags=timecode:format_tags=timecode");
    assert!(tags.contains(&format!("TAG:timecode={label}")), "{tags:?}");
}
