//! Real pictures beside the project: frames, rate, start timecode as their listing gives
//! them, and every frame equal to what the `ffmpeg` program decodes.

use crate::outside;
use crate::pictures;

use pictures::{framemd5, opened, picture_md5};
use platesmith::time::FrameRange;

/// Every frame read in one go, and some read alone, equal the program's.
fn compare(below: &str, input: impl Fn(&str) -> Vec<String>) {
    let Some(path) = outside::shared(below) else { return };
    if !outside::has_program("ffmpeg") {
        return;
    }
    let media = opened(&path);
    let arguments = input(path.to_str().expect("UTF-8"));
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let expected = framemd5(&arguments, &media.info().pixel_format);
    assert_eq!(media.info().frames as usize, expected.len(), "{below}: frames");
    let count = expected.len() as i64;
    let mut all = media.frames(FrameRange::new(0, count)).expect("inside");
    for (n, sum) in expected.iter().enumerate() {
        let (frame, picture) = all.next_frame().expect("a frame").expect("decodes");
        assert_eq!(frame.0, n as i64);
        assert_eq!(&picture_md5(&picture), sum, "{below}: frame {n} read in order");
    }
    assert!(all.next_frame().is_none());
    for n in [count - 1, 0, count / 2, count / 3, count * 4 / 5, 1.min(count - 1)] {
        let mut one = media.frames(FrameRange::new(n, n + 1)).expect("inside");
        let (_, picture) = one.next_frame().expect("a frame").expect("decodes");
        assert_eq!(picture_md5(&picture), expected[n as usize], "{below}: frame {n} alone");
    }
}

fn file(path: &str) -> Vec<String> {
    vec!["-i".into(), path.into()]
}

/// Start timecodes as listed beside the files; rates as `ffprobe` 5.1 names them.
#[rstest::rstest]
#[case("footage/formats/prores422hq_2997df.mov", "30000/1001", Some("00:59:58;20"))]
#[case("footage/formats/prores_proxy_23976.mov", "24000/1001", Some("14:03:21:07"))]
#[case("footage/formats/dnxhr_lb_23976.mxf", "24000/1001", Some("01:02:03:04"))]
#[case("footage/formats/dnxhr_hqx_10bit_midnight.mov", "24000/1001", Some("23:59:59:20"))]
#[case("footage/formats/h264_422_10bit_25.mov", "25", Some("10:00:00:00"))]
#[case("footage/locked/signer_book.mkv", "30", None)]
#[case("footage/locked/signer_light_step.mkv", "30", None)]
#[case("footage/locked/two_people_uncompressed.y4m", "12", None)]
#[case("footage/locked/tree_wind.mkv", "15", None)]
#[case("footage/locked/cup_no_texture.mp4", "26777/1000", None)]
#[case("footage/moving/creeping_street.mp4", "25/2", None)]
#[case("footage/moving/film_weave.mp4", "25", None)]
#[case("footage/boom/signer_stable/take_boom.mkv", "30", None)]
#[case("footage/boom/signer_stable/take_boom_cam.mp4", "30", None)]
#[case("footage/boom/person_wall/take_boom.mkv", "10", None)]
#[case("footage/boom/person_wall/take_boom_cam.mp4", "10", None)]
#[case("footage/boom/tram_clouds/clean.mkv", "24000/1001", None)]
#[case("footage/boom/tram_clouds/take_boom_cam.mp4", "24000/1001", None)]
fn a_file_reads_as_listed(#[case] below: &str, #[case] rate: &str, #[case] start: Option<&str>) {
    let Some(path) = outside::shared(below) else { return };
    let media = opened(&path);
    let info = media.info();
    assert_eq!(info.rate.to_string(), rate, "{below}");
    let label = info.start.map(|start| start.counting.label(start.frame));
    assert_eq!(label.as_deref(), start, "{below}");
    assert!(media.warnings().is_empty(), "{below}: {:?}", media.warnings());
    compare(below, file);
}

/// Image files: numbered from 86400 (an hour at 24) and from 1001; no timecode in either.
#[rstest::rstest]
#[case("footage/stills/dpx10", "psr63.%07d.dpx", 86400, 8)]
#[case("footage/stills/exr", "psr63.%04d.exr", 1001, 8)]
#[case("footage/stills/exr_offset_window", "beachball.%04d.exr", 1, 3)]
fn a_run_of_image_files_reads_as_listed(
    #[case] below: &str,
    #[case] pattern: &str,
    #[case] first: i64,
    #[case] count: usize,
) {
    let Some(folder) = outside::shared(below) else { return };
    let media = opened(&folder);
    let info = media.info();
    assert_eq!(info.frames as usize, count);
    assert_eq!(info.start, None);
    let platesmith::media::MediaKind::Images { first_number, .. } = &info.kind else {
        panic!("{below}: {:?}", info.kind);
    };
    assert_eq!(*first_number, first);
    compare(below, |folder| {
        let number = first.to_string();
        let input = format!("{folder}/{pattern}");
        let all = ["-f", "image2", "-start_number", &number, "-i", &input];
        all.iter().map(|text| text.to_string()).collect()
    });
}
