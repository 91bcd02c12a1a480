//! What is in the show: takes, the cut made of them, and the log that was kept on set.
//! Everything here is fixed by hand; nothing is read from a picture.

pub mod cut;
pub mod excerpt;
pub mod expected;
pub mod log;
pub mod otio;
pub mod sound_report;
pub mod takes;
pub mod takes_lane;
pub mod takes_loft;

use platesmith::time::{Counting, Frame, Rate};

/// The sets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Set {
    NetLoft,
    Office,
    Chandlery,
    Lane,
    Orchard,
    Cistern,
}

/// How a take is coded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Codec {
    ProResHq,
    DnxhrHqx,
    Ffv1,
    /// 8 bit 4:2:0, a key frame every two seconds, two B frames.
    H264,
    /// 10 bit 4:2:2, long GOP.
    H264High,
    /// Image files with a timecode in each header.
    Dpx,
}

/// Leaves behind the openings of a set.
#[derive(Debug, Clone, Copy)]
pub struct Wind {
    /// Peak sway of the front leaves, about, in pixels of the 640x360 drawing.
    pub sway: f32,
    pub seed: u32,
}

/// A lock-off that creeps and weaves.
#[derive(Debug, Clone, Copy)]
pub struct Creep {
    pub dx: f32,
    pub dy: f32,
    /// Radians over the whole take.
    pub turn: f32,
    pub weave_px: f32,
}

/// The camera is moved on purpose between two frames.
#[derive(Debug, Clone, Copy)]
pub struct Reframe {
    pub start: usize,
    pub end: usize,
    pub dx: f32,
    pub dy: f32,
    pub scale: f32,
}

/// Light that changes between two frames and stays: gain, and slopes from edge to edge.
#[derive(Debug, Clone, Copy)]
pub struct Cloud {
    pub start: usize,
    pub end: usize,
    pub gain: f32,
    pub across: f32,
    pub down: f32,
}

/// Focus goes from the wall to the people.
#[derive(Debug, Clone, Copy)]
pub struct FocusPull {
    pub start: usize,
    pub end: usize,
    pub sigma: f32,
}

/// Somebody passes the key light: a soft shadow crosses from left to right.
#[derive(Debug, Clone, Copy)]
pub struct Passing {
    pub start: usize,
    pub end: usize,
    pub strength: f32,
}

/// A moth crosses the frame.
#[derive(Debug, Clone, Copy)]
pub struct Moth {
    pub start: usize,
    pub end: usize,
    pub from: (f32, f32),
    pub to: (f32, f32),
}

/// One actor.
#[derive(Debug, Clone, Copy)]
pub struct Person {
    /// Height in pixels of the 640x360 drawing.
    pub height: f32,
    /// Where the feet stand; may be below the frame.
    pub foot_y: f32,
    /// Frames and the x at which the actor then stands.
    pub path: &'static [(usize, f32)],
    /// -1 looks left, 1 right, when standing.
    pub facing: f32,
    pub coat: [f32; 3],
    pub trousers: [f32; 3],
    pub skin: [f32; 3],
    /// How lively the arms are: 0 to 1.
    pub gesture: f32,
    pub seed: u32,
}

/// The boom: a microphone in a fur cover on a pole that comes from outside the frame.
#[derive(Debug, Clone, Copy)]
pub struct Boom {
    /// Centre of the microphone at rest.
    pub mic: (f32, f32),
    /// Direction from the microphone to the hand that holds the pole.
    pub pole: (f32, f32),
    /// Angle of the microphone's axis from the horizontal, radians.
    pub tilt: f32,
    /// Spans in which any of it or of its shadow is in frame. It slides through the edge at
    /// each end that is not an end of the take.
    pub spans: &'static [[usize; 2]],
    /// Frames that one slide takes.
    pub slide: usize,
    /// Linear light of the fur and how much it varies.
    pub tone: f32,
    pub contrast: f32,
    /// How strongly its roundness and its dark pole show: 1 as usual, 0 flat.
    pub relief: f32,
    /// Share of the wall's light that the shadow takes.
    pub shadow: f32,
    /// Frames and how far the microphone then is from `mic`.
    pub swing: &'static [(usize, f32, f32)],
}

/// One camera recording.
#[derive(Debug, Clone)]
pub struct Take {
    /// Camera clip.
    pub clip: &'static str,
    /// Media below `media/`; a folder for image files.
    pub file: &'static str,
    pub width: usize,
    pub height: usize,
    pub rate: (u32, u32),
    pub drop: bool,
    /// Label of the first frame.
    pub start: &'static str,
    pub frames: usize,
    pub codec: Codec,
    pub set: Set,
    /// Grain sigma at middle grey, in 10-bit codes.
    pub grain: f32,
    pub wind: Option<Wind>,
    pub people: &'static [Person],
    pub boom: Option<Boom>,
    pub creep: Option<Creep>,
    pub reframe: Option<Reframe>,
    pub cloud: Option<Cloud>,
    pub focus_pull: Option<FocusPull>,
    pub passing: Option<Passing>,
    pub moth: Option<Moth>,
    /// Plates by the truth, file frames: no boom, lock-off, nobody and nothing in the patch.
    pub plates: &'static [[usize; 2]],
}

impl Take {
    pub fn counting(&self) -> Counting {
        let rate = Rate::new(self.rate.0, self.rate.1).expect("rates of the show are positive");
        Counting::new(rate, self.drop)
    }

    /// Take frame of file frame 0.
    pub fn start_frame(&self) -> i64 {
        self.counting().frame(self.start).expect("labels of the show exist").0
    }

    /// Label of a file frame.
    pub fn label(&self, frame: i64) -> String {
        self.counting().label(Frame(self.start_frame() + frame))
    }

    pub fn seed(&self) -> u64 {
        self.clip.bytes().fold(7, |sum, byte| sum * 31 + u64::from(byte))
    }
}

/// Value at a frame on a path of (frame, value), eased between its points.
pub fn along(path: &[(usize, f32)], frame: f32) -> f32 {
    let Some(first) = path.first() else { return 0.0 };
    let mut last = *first;
    for point in path {
        if frame < point.0 as f32 {
            let share = (frame - last.0 as f32) / (point.0 - last.0).max(1) as f32;
            let share = share.clamp(0.0, 1.0);
            return last.1 + (point.1 - last.1) * share * share * (3.0 - 2.0 * share);
        }
        last = *point;
    }
    last.1
}
