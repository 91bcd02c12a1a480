//! What the recorder of the sample show wrote: a report as a table, and marks in two files.

/// A sound file of the first day.
pub struct SoundTake {
    /// Its name.
    pub file: &'static str,
    /// What the mixer called scene: the slate.
    pub slate: &'static str,
    /// Take.
    pub take: &'static str,
    /// First label, 24 frames a second.
    pub start: [u32; 4],
    /// Length in seconds.
    pub seconds: u32,
    /// Note of the mixer.
    pub note: &'static str,
    /// A region marked as plate: first second and seconds.
    pub mark: Option<[u32; 2]>,
}

/// The files that are rendered; the others stand in the report alone.
pub const RENDERED: [SoundTake; 2] = [
    SoundTake {
        file: "S01T003.WAV",
        slate: "32",
        take: "3",
        start: [10, 31, 4, 0],
        seconds: 15,
        note: "",
        mark: Some([1, 3]),
    },
    SoundTake {
        file: "S01T004.WAV",
        slate: "32",
        take: "4",
        start: [10, 38, 21, 0],
        seconds: 11,
        note: "3s head PL",
        mark: None,
    },
];

/// The report of sound roll S01, with the lines recorders put before the table.
pub fn report() -> &'static str {
    "Sound report,The Quillhaven Ledger,,,,\n\
     Date,2031-05-14,,,,\n\
     Roll,S01,Rate,24,,\n\
     ,,,,,\n\
     File Name,Scene,Take,Start TC,Length,Notes\n\
     S01T001.WAV,31,1,10:02:10:00,00:00:12:00,\n\
     S01T002.WAV,31,2,10:06:39:12,00:00:12:00,5s head PL\n\
     S01T005.WAV,33,1,11:14:59:00,00:00:09:00,no plate\n"
}

/// The shots that are still to come, as the script supervisor lists them.
pub fn shots() -> &'static str {
    "scene,slate,camera,length,rate,remarks\n\
     14,34,A,12 s,24,two-hander at the chandlery door\n\
     15,39,A,25 s,24,walk down the lane; sun and cloud\n\
     16,44,B,6 s,24,insert of the ledger\n"
}
