//! Plates whose coded frames are copied from the source without a byte changed.
//!
//! Three hands work at once: one reads the source, one writes, one hurries what is written
//! to the disk. Then the file is opened afresh, and every packet is held against the frame
//! that the map names while the disk finishes. Memory does not grow with the length.

use super::loop_map::FrameMap;
use crate::error::BadInput;
use crate::media::{CodedFrame, CodedVideo, MuxFault, Muxer, NoCopy, Track};
use std::fs::File;
use std::path::Path;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

/// Coded frames on their way from reader to writer. More hides longer waits for the disk
/// and costs memory: 4 frames of UHD ProRes are some 20 MB.
const IN_FLIGHT: usize = 4;

/// Bytes written between two hints to the disk.
const HURRY_BYTES: usize = 64 << 20;

/// Copies the frames of `map` into `part`, and proves the result packet by packet.
///
/// `part` exists and is `file`; nobody else knows its name yet. On success its bytes are
/// on the disk. `name` is the plate's name in messages.
///
/// # Errors
///
/// [`NoCopy::Reason`] if a frame does not stand alone; [`NoCopy::Fault`] if reading or
/// writing failed, or if the copy does not read back as the source.
pub(super) fn copy_packets(
    source: &mut CodedVideo,
    rate: crate::time::Rate,
    map: &FrameMap,
    track: &Track,
    (part, file, name): (&Path, &File, &str),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<(), NoCopy> {
    let muxer = Muxer::create(part, source.container(), track).map_err(|fault| match fault {
        MuxFault::Refused(why) => NoCopy::Reason(format!("the container refuses it: {why}")),
        MuxFault::Write(why) => written(name, &why).into(),
    })?;
    std::thread::scope(|hands| {
        let (hurry, asked) = sync_channel::<()>(1);
        hands.spawn(move || {
            // A failed hint is no fault: the last sync reports it.
            while asked.recv().is_ok() {
                let _ = file.sync_data();
            }
        });
        let (full, filled) = sync_channel(IN_FLIGHT);
        let (empty, emptied) = sync_channel(IN_FLIGHT);
        // Both ends move to the reader, so that the writer sees when it stops.
        let from = &mut *source;
        let reader = hands.spawn(move || read_all(from, map, &full, &emptied));
        let wrote = write_all(muxer, map.len(), name, (&filled, &empty, &hurry), progress);
        drop((filled, empty, hurry));
        let read = reader.join().unwrap_or_else(|_| Err(written(name, "the reader died").into()));
        read.and(wrote)
    })?;
    std::thread::scope(|hands| {
        let disk = hands.spawn(|| file.sync_all());
        let proof = prove(source, rate, map, (part, name));
        let synced = disk.join().unwrap_or(Ok(()));
        proof?;
        synced.map_err(|io| written(name, &io.to_string()).into())
    })
}

/// Reads every frame of the map in order and hands it on.
fn read_all(
    source: &mut CodedVideo,
    map: &FrameMap,
    full: &SyncSender<CodedFrame>,
    emptied: &Receiver<CodedFrame>,
) -> Result<(), NoCopy> {
    for run in map.runs() {
        for file_frame in run.frames() {
            let mut frame = emptied.try_recv().unwrap_or_default();
            source.read(file_frame, run.step() < 0, &mut frame)?;
            if full.send(frame).is_err() {
                return Ok(()); // The writer has failed and says why.
            }
        }
    }
    Ok(())
}

/// Writes frames as they come until none does.
fn write_all(
    mut muxer: Muxer,
    total: u64,
    name: &str,
    (filled, empty, hurry): (&Receiver<CodedFrame>, &SyncSender<CodedFrame>, &SyncSender<()>),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<(), NoCopy> {
    let fault = |fault: MuxFault| NoCopy::from(written(name, &fault.to_string()));
    let mut since = 0;
    for (k, frame) in (0_u64..).zip(filled.iter()) {
        muxer.write(k, frame.padded()).map_err(fault)?;
        since += frame.bytes().len();
        if since >= HURRY_BYTES {
            since = 0;
            let _ = hurry.try_send(());
        }
        let _ = empty.try_send(frame);
        progress(k + 1, total);
    }
    muxer.finish().map_err(fault)
}

/// Reads the finished file afresh and holds every packet against the map.
fn prove(
    source: &CodedVideo,
    rate: crate::time::Rate,
    map: &FrameMap,
    (part, name): (&Path, &str),
) -> Result<(), NoCopy> {
    let mut copy = CodedVideo::reread(part, name, rate).map_err(as_fault(name))?;
    if let Some(differs) = source.difference(&copy) {
        return Err(NoCopy::Reason(format!("the container does not keep its tags: {differs}")));
    }
    let mut shown = map.frames();
    let mut count = 0;
    copy.every_checksum(|k, checksum| {
        let expected = shown.next().and_then(|frame| source.checksum_of(frame));
        if k != count || expected != Some(checksum) {
            let place = format!("frame {k}");
            let fault = "reads back otherwise than the source frame it was copied from";
            return Err(BadInput::new(name, place, fault, REPEAT).into());
        }
        count += 1;
        Ok(())
    })
    .map_err(as_fault(name))?;
    if count as u64 != map.len() {
        let fault = format!("{count} of {} frames read back", map.len());
        return Err(BadInput::new(name, "", fault, REPEAT).into());
    }
    Ok(())
}

const REPEAT: &str = "run it again; if it happens again, check the disk and its cable";

/// Makes every shortcoming of the written file a fault: it is ours to answer for.
fn as_fault(name: &str) -> impl Fn(NoCopy) -> NoCopy + '_ {
    move |no| match no {
        NoCopy::Reason(why) => NoCopy::Fault(BadInput::new(name, "", why, REPEAT)),
        fault => fault,
    }
}

/// Words a failure to write.
pub(crate) fn written(name: &str, why: &str) -> BadInput {
    BadInput::new(
        name,
        "",
        format!("cannot be written: {why}"),
        "free space there or choose another output folder, then run it again",
    )
}
