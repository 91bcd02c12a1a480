//! Frames read back from the file they are kept in measure as those that are decoded again:
//! the plain way is the check.

use crate::outside;
use crate::pictures;

use pictures::{at, ffmpeg, opened, path};
use platesmith::measure::schedule::{Gauge, Kept, Row, Wish, gauge, survey};
use platesmith::measure::transfer::Encoding;
use platesmith::media::Media;
use platesmith::settings::MeasureLimits;
use platesmith::time::{Frame, FrameRange};

/// A still set with grain, and a bar that hangs into it from frame 20 to 39.
const SET: &str = "testsrc2=size=640x360:rate=24:duration=0.04,loop=loop=59:size=1";
const BAR: &str = "color=c=0x303030:size=26x360:rate=24";
const LAID: &str = "[0:v]noise=alls=8:allf=t:all_seed=3[set];\
    [set][1:v]overlay=x=main_w/3:y='if(between(n,20,39),-h*0.6,-h)':shortest=0";

fn said(media: &Media, kept: Kept) -> Vec<String> {
    let rows = |gauge: &Gauge| format!("{:?} {:?}", gauge.rows, gauge.steadiness);
    gauged(media, kept, 1).iter().map(rows).collect()
}

fn gauged(media: &Media, mut kept: Kept, every: u32) -> Vec<Gauge> {
    let info = media.info();
    let wish = Wish {
        media: media.into(),
        plates: vec![FrameRange::new(0, 18)],
        frames: vec![FrameRange::new(0, 60)],
        encoding: Encoding::claimed(&info.colour, &info.pixel_format, false),
        limits: MeasureLimits::default(),
        area: None,
        every,
    };
    gauge(&wish, &mut kept, &mut |_| ()).expect("frames")
}

#[rstest::rstest]
#[case("a.mov", &["-c:v", "prores_ks", "-profile:v", "3"])]
#[case("b.mov", &["-c:v", "dnxhd", "-profile:v", "dnxhr_hqx", "-pix_fmt", "yuv422p10le"])]
#[case("c.mov", &["-c:v", "libx264", "-crf", "12", "-g", "12"])]
#[case("d.mov", &["-c:v", "prores_ks", "-flags", "+ildct+ilme", "-field_order", "tt"])]
#[case("e.mkv", &["-c:v", "ffv1", "-pix_fmt", "gbrp"])]
fn what_is_kept_measures_as_what_is_decoded_again(#[case] name: &str, #[case] coding: &[&str]) {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let output = at(folder.path(), name);
    let mut all = vec!["-f", "lavfi", "-i", SET, "-f", "lavfi", "-i", BAR];
    all.extend(["-filter_complex", LAID, "-frames:v", "60"]);
    all.extend(coding);
    all.push(&output);
    assert!(ffmpeg(&all), "{name}");
    let media = opened(&path(folder.path(), name));
    let plain = said(&media, Kept::nothing());
    assert!(plain[0].contains("boom: true") && plain[0].contains("boom: false"));
    assert!(said(&media, Kept::default()) == plain, "{name}: the plate kept");
    let seen = survey(&media, &[], None, &MeasureLimits::default(), &mut |_| ()).expect("frames");
    assert!(said(&media, seen.kept) == plain, "{name}: the whole take kept");
    every_second_frame_tells_as_much(&media, name);
}

/// Frames that were looked at lie where they lie if all are, and those between two of them lie
/// and hide as these do.
fn every_second_frame_tells_as_much(media: &Media, name: &str) {
    let all = gauged(media, Kept::default(), 1).remove(0);
    let seen = survey(media, &[], None, &MeasureLimits::default(), &mut |_| ()).expect("frames");
    for kept in [Kept::nothing(), Kept::default(), seen.kept] {
        let some = gauged(media, kept, 2).remove(0);
        assert_eq!(some.rows.len(), 60, "{name}");
        for (row, whole) in some.rows.iter().zip(&all.rows) {
            let frame = row.frame.0;
            assert_eq!(row.frame, whole.frame, "{name}");
            let looked_at = frame < 18 || frame % 2 == 0 || frame == 59;
            let masks =
                |gauge: &Gauge, at: i64| gauge.masks_of(Frame(at)).expect("read").expect("seen");
            if looked_at {
                assert_eq!(row.boom, whole.boom, "{name} {frame}");
                // What is known of the camera grows with the frames seen, so errors differ a little.
                let place = |row: &Row| row.motion.as_ref().map(|motion| motion.motion);
                let (Some(here), Some(there)) = (place(row), place(whole)) else {
                    panic!("{name} {frame}: no place");
                };
                let apart = (here.shift_x - there.shift_x).hypot(here.shift_y - there.shift_y);
                assert!(apart < 0.01, "{name} {frame}: {apart} px");
            } else {
                let (before, after) = (masks(&some, frame - 1), masks(&some, frame + 1));
                let here = masks(&some, frame);
                let mut both = before.boom.clone();
                both.add(&after.boom);
                assert!(here.boom == both, "{name} {frame}");
                assert_eq!(row.boom, (19..=40).contains(&frame), "{name} {frame}");
            }
        }
    }
}
