//! Frames read back from the file they are kept in measure as those that are decoded again:
//! the plain way is the check.

use crate::outside;
use crate::pictures;

use pictures::{at, ffmpeg, opened, path};
use platesmith::measure::schedule::{Gauge, Kept, Wish, gauge, survey};
use platesmith::measure::transfer::Encoding;
use platesmith::media::Media;
use platesmith::settings::MeasureLimits;
use platesmith::time::FrameRange;

/// A still set with grain, and a bar that hangs into it from frame 20 to 39.
const SET: &str = "testsrc2=size=640x360:rate=24:duration=0.04,loop=loop=59:size=1";
const BAR: &str = "color=c=0x303030:size=26x360:rate=24";
const LAID: &str = "[0:v]noise=alls=8:allf=t:all_seed=3[set];\
    [set][1:v]overlay=x=main_w/3:y='if(between(n,20,39),-h*0.6,-h)':shortest=0";

fn said(media: &Media, mut kept: Kept) -> Vec<String> {
    let info = media.info();
    let wish = Wish {
        media: media.into(),
        plates: vec![FrameRange::new(0, 18)],
        frames: vec![FrameRange::new(0, 60)],
        encoding: Encoding::claimed(&info.colour, &info.pixel_format, false),
        limits: MeasureLimits::default(),
        area: None,
    };
    let gauges = gauge(&wish, &mut kept, &mut |_| ()).expect("frames");
    let rows = |gauge: &Gauge| format!("{:?} {:?}", gauge.rows, gauge.steadiness);
    gauges.iter().map(rows).collect()
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
}
