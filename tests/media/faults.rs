//! Media that cannot be read, or not to the frame: each fault is said, nothing hangs.

use crate::outside;
use crate::pictures;

use pictures::{at, ffmpeg, framemd5, path, picture_md5};
use platesmith::media::{Media, OpenOptions, open, open_with};
use platesmith::time::{FrameRange, Rate};
use std::path::Path;

fn said(path: &Path) -> String {
    match open(path) {
        Ok(media) => panic!("{} opened: {:?}", path.display(), media.info()),
        Err(faults) => {
            assert!(faults.0.iter().all(|fault| !fault.remedy.is_empty()));
            faults.to_string()
        }
    }
}

fn folder() -> Option<tempfile::TempDir> {
    outside::has_program("ffmpeg").then(|| tempfile::tempdir().expect("a folder"))
}

/// 48 frames of moving noise; arguments for coding, then the name.
fn make(folder: &Path, name: &str, coding: &[&str]) {
    let picture = "testsrc2=size=256x128:rate=24,noise=alls=12:allf=t:all_seed=3";
    let output = at(folder, name);
    let arguments = ["-f", "lavfi", "-i", picture, "-frames:v", "48"];
    assert!(ffmpeg(&[&arguments[..], coding, &[&output]].concat()));
}

#[test]
fn what_is_no_media_says_what_it_is() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = |name: &str, bytes: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).expect("written");
        path
    };
    assert_eq!(said(&folder.path().join("none.mov")), "none.mov: there is no such file");
    assert_eq!(said(&file("empty.mov", b"")), "empty.mov: it is empty: 0 bytes");
    assert_eq!(
        said(&file("notes.mov", b"Scene 12, take 3\n")),
        "notes.mov: it is a text file, not media"
    );
    assert_eq!(
        said(&file("zeros.mxf", &[0; 4096])),
        "zeros.mxf: it holds zeros where media should begin"
    );
    assert!(
        said(&file("noise.mov", &[0x9e, 0x37, 0x79, 0xb9].repeat(999)))
            .starts_with("noise.mov: it is no container that is read here (")
    );
    assert!(said(&file("a.mov", b"\0\0\0\x14ftypqt  \0\0\0\0qt  \0\0\x10\0mdat1234")).starts_with(
        "a.mov: its index (moov) is missing or broken, so the recording or the copy was cut short ("
    ));
    assert_eq!(said(&file("empty.dpx", b"")), "empty.dpx: it is empty: 0 bytes");
    assert_eq!(
        said(&file("text.exr", b"Scene 12")),
        "text.exr: its first bytes are not those of an image file"
    );
    // A playlist would make the libraries open other files.
    let list = b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n#EXT-X-ENDLIST\n";
    assert_eq!(said(&file("list.m3u8", list)), "list.m3u8: it is a text file, not media");
    let inside = folder.path().join("nothing");
    std::fs::create_dir(&inside).expect("a folder");
    assert_eq!(said(&inside), "nothing: the folder holds no image files");
}

#[test]
fn a_path_that_looks_like_a_protocol_is_a_file() {
    let Some(folder) = folder() else { return };
    make(folder.path(), "plain.mov", &["-c:v", "mjpeg"]);
    for name in ["10:12:08.mov", "concat:a|b.mov", "pipe:0.mov", "a%2Fb é #1.mov"] {
        let odd = folder.path().join(name);
        std::fs::copy(path(folder.path(), "plain.mov"), &odd).expect("copied");
        assert_eq!(pictures::opened(&odd).info().frames, 48, "{name}");
    }
    #[cfg(unix)]
    {
        use std::os::unix::ffi::OsStrExt;
        let odd = folder.path().join(std::ffi::OsStr::from_bytes(b"latin-\xe9.mov"));
        std::fs::copy(path(folder.path(), "plain.mov"), &odd).expect("copied");
        assert_eq!(pictures::opened(&odd).info().frames, 48);
    }
}

#[test]
fn sound_alone_and_streams_without_an_index_are_refused() {
    let Some(folder) = folder() else { return };
    assert!(ffmpeg(&["-f", "lavfi", "-i", "sine", "-t", "1", &at(folder.path(), "sound.wav")]));
    assert_eq!(said(&path(folder.path(), "sound.wav")), "sound.wav: it holds sound but no picture");
    assert!(ffmpeg(&["-f", "lavfi", "-i", "sine", "-t", "1", &at(folder.path(), "sound.mov")]));
    assert_eq!(said(&path(folder.path(), "sound.mov")), "sound.mov: it holds sound but no picture");
    make(folder.path(), "a.ts", &["-c:v", "libx264"]);
    assert_eq!(
        said(&path(folder.path(), "a.ts")),
        "a.ts: an MPEG transport stream cannot be read to the frame: it has no index"
    );
    make(folder.path(), "a.h264", &["-c:v", "libx264"]);
    assert!(
        said(&path(folder.path(), "a.h264")).contains("a bare stream cannot be read to the frame")
    );
}

#[rstest::rstest]
// Half a second at 24, then at 30.
#[case("two.mkv", "setpts='if(lt(N,24),N/24,1+(N-24)/30)/TB'")]
#[case("two.mp4", "setpts='if(lt(N,24),N/24,1+(N-24)/30)/TB'")]
// A pause of half a second in the middle, every other frame at 24.
#[case("pause.mkv", "setpts='(N+12*gte(N,20))/24/TB'")]
#[case("pause.mov", "setpts='(N+12*gte(N,20))/24/TB'")]
// A wave: frames up to 0.45 of a frame early and late.
#[case("wave.mkv", "setpts='(N+0.45*sin(N/3))/24/TB'")]
#[case("wave.mp4", "setpts='(N+0.45*sin(N/3))/24/TB'")]
fn a_varying_rate_is_refused(#[case] name: &str, #[case] times: &str) {
    let Some(folder) = folder() else { return };
    let filter = format!("settb=1/24000,{times}");
    let coding = if name.ends_with("mov") { "prores_ks" } else { "libx264" };
    make(
        folder.path(),
        name,
        &["-vf", &filter, "-fps_mode", "passthrough", "-enc_time_base", "1/24000", "-c:v", coding],
    );
    let said = said(&path(folder.path(), name));
    assert!(
        said.contains("the frame rate varies, or frames were dropped: the frame comes"),
        "{said}"
    );
}

/// Reads frame by frame: how many come before a fault, and the fault.
fn read_all(media: &Media) -> (usize, Option<String>) {
    let count = i64::try_from(media.info().frames).expect("small");
    let mut frames = media.frames(FrameRange::new(0, count)).expect("inside");
    let mut read = 0;
    while let Some(next) = frames.next_frame() {
        match next {
            Ok(_) => read += 1,
            Err(fault) => return (read, Some(fault.to_string())),
        }
    }
    (read, None)
}

#[rstest::rstest]
#[case("moov_first.mov", &["-c:v", "prores_ks", "-movflags", "faststart"])]
#[case("moov_first.mp4", &["-c:v", "libx264", "-g", "12", "-movflags", "faststart"])]
#[case("moov_last.mov", &["-c:v", "prores_ks"])]
#[case("a.mkv", &["-c:v", "ffv1", "-level", "3", "-g", "1"])]
#[case("b.mkv", &["-c:v", "libx264", "-g", "12"])]
#[case("a.mxf", &["-c:v", "dnxhd", "-profile:v", "dnxhr_hq", "-pix_fmt", "yuv422p"])]
#[case("a.avi", &["-c:v", "mjpeg"])]
fn a_file_cut_short_is_refused_or_read_as_far_as_it_goes(
    #[case] name: &str,
    #[case] coding: &[&str],
) {
    let Some(folder) = folder() else { return };
    make(folder.path(), name, coding);
    let whole = std::fs::read(path(folder.path(), name)).expect("read");
    let expected = framemd5(
        &["-i", &at(folder.path(), name)],
        &pictures::opened(&path(folder.path(), name)).info().pixel_format,
    );
    let mut opened_some = false;
    for share in [1, 5, 20, 37, 50, 77, 90, 99] {
        let cut = folder.path().join(format!("cut{share}_{name}"));
        std::fs::write(&cut, &whole[..whole.len() * share / 100]).expect("written");
        let media = match open(&cut) {
            Ok(media) => media,
            Err(faults) => {
                let said = faults.to_string();
                assert!(
                    said.contains("cut short")
                        || said.contains("ends early")
                        || said.contains("no picture")
                        || said.contains("not one frame"),
                    "{said}"
                );
                continue;
            }
        };
        opened_some = true;
        let frames = media.info().frames as usize;
        let said: Vec<String> = media.warnings().iter().map(|fault| fault.to_string()).collect();
        // Only an index behind the last frame may be lost without loss of a frame.
        assert!(
            frames == 48
                || said
                    .iter()
                    .any(|said| said.contains("the file ends early")
                        || said.contains("near the end")),
            "{share} %, {frames} frames: {said:?}"
        );
        let (read, fault) = read_all(&media);
        assert!(read == frames || fault.is_some(), "{share} %: {read} of {frames}");
        let mut shown = media.frames(FrameRange::new(0, read as i64)).expect("inside");
        for sum in &expected[..read] {
            let (_, picture) = shown.next_frame().expect("a frame").expect("decodes");
            assert_eq!(&picture_md5(&picture), sum, "{share} %");
        }
        assert!(media.frames(FrameRange::new(0, frames as i64 + 1)).is_err());
    }
    if name == "moov_last.mov" {
        assert!(!opened_some);
    } else {
        assert!(opened_some, "{name}");
    }
}

/// Bytes overwritten in the middle: the fault names the frame and what came before it, the
/// frames far from the damage are still the right ones.
#[rstest::rstest]
#[case("a.mov", &["-c:v", "prores_ks"])]
#[case("b.mov", &["-c:v", "dnxhd", "-profile:v", "dnxhr_hq", "-pix_fmt", "yuv422p"])]
#[case("c.mov", &["-c:v", "png"])]
#[case("d.mp4", &["-c:v", "libx264", "-g", "12", "-bf", "2"])]
#[case("e.mkv", &["-c:v", "ffv1", "-level", "3", "-slicecrc", "1", "-g", "1"])]
#[case("f.mov", &["-c:v", "mjpeg", "-q:v", "2"])]
fn damage_in_the_middle_names_the_frame(#[case] name: &str, #[case] coding: &[&str]) {
    let Some(folder) = folder() else { return };
    make(folder.path(), name, coding);
    let file = path(folder.path(), name);
    let media = pictures::opened(&file);
    let expected = framemd5(&["-i", &at(folder.path(), name)], &media.info().pixel_format);
    let mut bytes = std::fs::read(&file).expect("read");
    let middle = bytes.len() / 2;
    for (n, byte) in bytes[middle..middle + 3000].iter_mut().enumerate() {
        *byte = (n * 151 % 256) as u8;
    }
    std::fs::write(&file, bytes).expect("written");
    // The index may be hit too: then opening says so.
    let Ok(media) = open(&file) else { return };
    let (read, fault) = read_all(&media);
    let fault = fault.unwrap_or_else(|| panic!("{name}: damage went unnoticed"));
    assert!(
        fault.starts_with(&format!("{name}, frame {read}: the frame cannot be decoded: ")),
        "{fault}"
    );
    assert!(fault.ends_with(&format!("(frames 0-{} were read)", read - 1)), "{fault}");
    assert!((5..43).contains(&read), "{fault}");
    let left = media.readable(FrameRange::new(0, 48)).expect("inside");
    assert_eq!(left[0], FrameRange::new(0, read as i64), "{name}");
    assert!(left.iter().any(|run| run.contains(FrameRange::new(42, 48))), "{name}: {left:?}");
    for range in left {
        let mut frames = media.frames(range).expect("inside");
        while let Some(next) = frames.next_frame() {
            let (frame, picture) = next.unwrap_or_else(|fault| panic!("{name}: {fault}"));
            assert_eq!(picture_md5(&picture), expected[frame.0 as usize], "{name}: frame {frame}");
        }
    }
}

#[test]
fn missing_and_broken_image_files_are_named() {
    let Some(folder) = folder() else { return };
    make(folder.path(), "x.%04d.png", &["-start_number", "1001"]);
    let file = |number: i64| folder.path().join(format!("x.{number}.png"));
    let bytes = std::fs::read(file(1020)).expect("read");
    std::fs::remove_file(file(1020)).expect("removed");
    let gap = "x.*.png, frames 1001-1048: frame 1020 is missing (47 of 48 found)";
    assert_eq!(said(folder.path()), gap);
    assert_eq!(said(&file(1001)), gap);
    assert_eq!(said(&folder.path().join("x.%04d.png")), gap);
    assert_eq!(said(&folder.path().join("x.####.png")), gap);
    let part = |pattern: &str| open(&folder.path().join(pattern)).map(|m| m.info().clone());
    assert_eq!(part("x.[1001-1019].png").expect("whole").frames, 19);
    assert_eq!(part("x.[1001-1019].png").expect("whole").name, "x.[1001-1019].png");
    assert_eq!(
        said(&folder.path().join("x.[1010-1050].png")),
        "x.*.png, frames 1010-1050: frames 1020, 1049-1050 are missing (38 of 41 found)"
    );
    std::fs::write(file(1020), &bytes[..bytes.len() / 2]).expect("written");
    let media = pictures::opened(folder.path());
    let (read, fault) = read_all(&media);
    assert_eq!(read, 19);
    let fault = fault.expect("a broken file");
    assert!(
        fault.starts_with("x.[1001-1048].png, frame 19: the frame cannot be decoded: x.1020.png: "),
        "{fault}"
    );
    std::fs::write(file(1020), b"").expect("written");
    let (read, fault) = read_all(&pictures::opened(folder.path()));
    assert_eq!(read, 19);
    assert!(fault.expect("an empty file").contains("x.1020.png: it is empty: 0 bytes"));
    std::fs::copy(file(1021), file(1020)).expect("copied");
    std::fs::copy(file(1001), folder.path().join("x.01001.png")).expect("copied");
    assert!(said(folder.path()).contains("frame 1001 is there twice: x.01001.png and x.1001.png"));
    std::fs::copy(file(1001), folder.path().join("y.1001.png")).expect("copied");
    assert!(said(folder.path()).contains("more than one run of image files: \"x.\" and \"y.\""));
}

#[test]
fn images_on_twos_are_shown_twice() {
    let Some(folder) = folder() else { return };
    make(folder.path(), "x.%04d.png", &["-start_number", "1001"]);
    for number in (1002..=1048).step_by(2) {
        std::fs::remove_file(folder.path().join(format!("x.{number}.png"))).expect("removed");
    }
    assert!(said(folder.path()).contains("are missing (24 of 47 found)"));
    let options =
        OpenOptions { frame_step: 2, sequence_rate: Rate::new(24, 1), ..OpenOptions::default() };
    let media = open_with(folder.path(), options).expect("opens");
    assert_eq!(media.info().frames, 48);
    let mut frames = media.frames(FrameRange::new(9, 12)).expect("inside");
    let mut sums = Vec::new();
    while let Some(next) = frames.next_frame() {
        sums.push(picture_md5(&next.expect("decodes").1));
    }
    assert_ne!(sums[0], sums[1]);
    assert_eq!(sums[1], sums[2]);
}

#[test]
fn threads_change_nothing() {
    let Some(folder) = folder() else { return };
    make(folder.path(), "a.mp4", &["-c:v", "libx264", "-g", "12", "-bf", "3"]);
    let sums = |threads| {
        let options = OpenOptions { threads, ..OpenOptions::default() };
        let media = open_with(&path(folder.path(), "a.mp4"), options).expect("opens");
        let mut frames = media.frames(FrameRange::new(5, 40)).expect("inside");
        let mut sums = Vec::new();
        while let Some(next) = frames.next_frame() {
            sums.push(picture_md5(&next.expect("decodes").1));
        }
        sums
    };
    let one = sums(1);
    assert_eq!(one.len(), 35);
    assert_eq!(one, sums(3));
    assert_eq!(one, sums(0));
}

#[test]
fn a_codec_without_decoder_and_an_encrypted_picture_say_so() {
    let Some(folder) = folder() else { return };
    make(folder.path(), "a.mov", &["-c:v", "prores_ks"]);
    let bytes = std::fs::read(path(folder.path(), "a.mov")).expect("read");
    let entry = bytes.windows(4).position(|w| w == b"stsd").expect("a sample description") + 16;
    for (tag, fault) in [
        (b"zq7x", "a.mov: the FFmpeg libraries here have no decoder for its codec \"zq7x\""),
        (b"encv", "a.mov: its picture is encrypted"),
    ] {
        let mut changed = bytes.clone();
        assert_eq!(&changed[entry..entry + 2], b"ap", "the tag of a ProRes entry");
        changed[entry..entry + 4].copy_from_slice(tag);
        std::fs::write(path(folder.path(), "a.mov"), changed).expect("written");
        assert_eq!(said(&path(folder.path(), "a.mov")), fault);
    }
}

/// Bytes changed anywhere, headers above all: a fault or pictures, never a panic or a hang.
#[rstest::rstest]
#[case("a.mov", &["-c:v", "mjpeg", "-timecode", "01:00:00:00"])]
#[case("a.mp4", &["-c:v", "libx264", "-g", "12"])]
#[case("a.mkv", &["-c:v", "ffv1", "-level", "3", "-g", "1"])]
#[case("a.mxf", &["-c:v", "mpeg2video", "-g", "12"])]
#[case("a.avi", &["-c:v", "mjpeg"])]
#[case("a.dpx", &["-frames:v", "1"])]
#[case("a.exr", &["-frames:v", "1"])]
fn changed_bytes_never_bring_the_reader_down(#[case] name: &str, #[case] coding: &[&str]) {
    let Some(folder) = folder() else { return };
    make(folder.path(), name, coding);
    let whole = std::fs::read(path(folder.path(), name)).expect("read");
    let mut seed = 99_u64;
    let mut next = |below: usize| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) as usize % below.max(1)
    };
    let index = whole.windows(4).rposition(|w| w == b"moov").unwrap_or(0);
    let mut opened = 0;
    for turn in 0..30 {
        let mut bytes = whole.clone();
        for _ in 0..1 + turn % 5 {
            let from = if turn % 2 == 0 { index } else { 0 };
            let at = from + next((bytes.len() - from).min(4096));
            bytes[at] = next(256) as u8;
        }
        let file = folder.path().join(format!("changed{turn}x_{name}"));
        std::fs::write(&file, bytes).expect("written");
        if let Ok(media) = open(&file) {
            opened += 1;
            let _ = media.content_id(false);
            let last = i64::try_from(media.info().frames).unwrap_or(1) - 1;
            for start in [0, last] {
                let range = FrameRange::new(start, (start + 3).min(last + 1));
                let Ok(mut frames) = media.frames(range) else { continue };
                let mut luma = Vec::new();
                while let Some(Ok((_, picture))) = frames.next_frame() {
                    picture.luma_u16(&mut luma);
                }
            }
        }
    }
    assert!(opened > 0, "{name}: every change was fatal, which tests nothing");
}

#[test]
fn one_opened_file_may_be_read_from_several_threads() {
    let Some(folder) = folder() else { return };
    make(folder.path(), "a.mov", &["-c:v", "prores_ks"]);
    let media = pictures::opened(&path(folder.path(), "a.mov"));
    let counts: Vec<usize> = std::thread::scope(|scope| {
        let reads: Vec<_> = (0..3).map(|_| scope.spawn(|| read_all(&media).0)).collect();
        reads.into_iter().filter_map(|read| read.join().ok()).collect()
    });
    assert_eq!(counts, [48, 48, 48]);
}
