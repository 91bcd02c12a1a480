//! Times one loop plate: SOURCE FIRST END LENGTH once|twice OUT, for the copy benchmark.
use platesmith::media;
use platesmith::plate::{FrameMap, PlateCodec, PlateJob, make_plate};
use platesmith::settings::Turns;
use platesmith::time::FrameRange;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [source, first, end, length, turns, out] = words.as_slice() else {
        return Err("SOURCE FIRST END LENGTH once|twice OUT".into());
    };
    let turns = if turns == "once" { Turns::Once } else { Turns::Twice };
    let begun = std::time::Instant::now();
    let media = media::open(source.as_ref())?;
    let plate = FrameRange::new(first.parse()?, end.parse()?);
    let map = FrameMap::looped(plate, length.parse()?, turns)?;
    let job = PlateJob {
        source: &media,
        map: &map,
        out: out.into(),
        reel: None,
        start: media.info().start,
        rate: None,
        first_number: 1001,
        codec: PlateCodec::Auto,
        threads: 2,
        still: false,
        retouch: None,
        recipe: None,
        receipts: None,
    };
    let made = make_plate(&job, &mut |_, _| {})?;
    println!("{:.3} {:?} {}", begun.elapsed().as_secs_f64(), made.method, made.path.display());
    Ok(())
}
