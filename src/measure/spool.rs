//! Records kept in a file without a name, so that memory does not grow with a take.

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};

/// Keeps byte records of any length in the order they were added and gives each back by its
/// number. The file has no name and goes with the process, however that ends.
#[derive(Debug)]
pub struct Spool {
    file: File,
    starts: Vec<u64>,
    end: u64,
    at: u64,
}

impl Spool {
    /// Makes an empty spool in the folder for temporary files.
    ///
    /// # Errors
    ///
    /// As the system says: no room, no folder.
    pub fn new() -> std::io::Result<Self> {
        Ok(Self { file: tempfile::tempfile()?, starts: Vec::new(), end: 0, at: 0 })
    }

    /// Makes an empty spool for up to `most` bytes that are read back soon: in memory where
    /// twice as much is free, for a new file costs as much as decoding.
    ///
    /// # Errors
    ///
    /// As [`Spool::new`].
    pub fn quick(most: u64) -> std::io::Result<Self> {
        match in_memory().filter(|_| free_memory().is_some_and(|free| free / 2 >= most)) {
            Some(file) => Ok(Self { file, starts: Vec::new(), end: 0, at: 0 }),
            None => Self::new(),
        }
    }

    /// Returns the number of records.
    pub fn len(&self) -> usize {
        self.starts.len()
    }

    /// Tells whether there is no record.
    pub fn is_empty(&self) -> bool {
        self.starts.is_empty()
    }

    /// Adds a record and returns its number.
    ///
    /// # Errors
    ///
    /// As the system says: no room left.
    pub fn add(&mut self, record: &[u8]) -> std::io::Result<usize> {
        self.go_to(self.end)?;
        self.file.write_all(record)?;
        self.starts.push(self.end);
        self.end += record.len() as u64;
        self.at = self.end;
        Ok(self.starts.len() - 1)
    }

    /// Reads a record into `out`, whose content is replaced. False, with `out` empty, if
    /// there is no such record.
    ///
    /// # Errors
    ///
    /// As the system says.
    pub fn read(&mut self, number: usize, out: &mut Vec<u8>) -> std::io::Result<bool> {
        let Some(start) = self.starts.get(number).copied() else {
            out.clear();
            return Ok(false);
        };
        let end = self.starts.get(number + 1).copied().unwrap_or(self.end);
        self.go_to(start)?;
        out.resize(usize::try_from(end - start).unwrap_or(0), 0);
        self.file.read_exact(out)?;
        self.at = end;
        Ok(true)
    }

    /// Returns all bytes of all records, one after the other.
    fn bytes(&self) -> std::io::Result<Vec<u8>> {
        let mut file = &self.file;
        let mut all = Vec::new();
        file.seek(SeekFrom::Start(0))?;
        file.take(self.end).read_to_end(&mut all)?;
        file.seek(SeekFrom::Start(self.at))?;
        Ok(all)
    }

    fn go_to(&mut self, place: u64) -> std::io::Result<()> {
        if self.at != place {
            self.file.seek(SeekFrom::Start(place))?;
            self.at = place;
        }
        Ok(())
    }
}

impl Serialize for Spool {
    fn serialize<S: Serializer>(&self, out: S) -> Result<S::Ok, S::Error> {
        let bytes = self.bytes().map_err(serde::ser::Error::custom)?;
        (&self.starts, serde_bytes::Bytes::new(&bytes)).serialize(out)
    }
}

impl<'de> Deserialize<'de> for Spool {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let (starts, bytes) = <(Vec<u64>, serde_bytes::ByteBuf)>::deserialize(from)?;
        let end = bytes.len() as u64;
        if !starts.is_sorted() || starts.last().is_some_and(|last| *last > end) {
            return Err(serde::de::Error::custom("records reach beyond their bytes"));
        }
        let mut spool = Spool::new().map_err(serde::de::Error::custom)?;
        spool.file.write_all(&bytes).map_err(serde::de::Error::custom)?;
        Ok(Spool { starts, end, at: end, ..spool })
    }
}

/// A file that lies in memory; `None` where the system knows none.
#[cfg(target_os = "linux")]
fn in_memory() -> Option<File> {
    use rustix::fs::{MemfdFlags, memfd_create};
    memfd_create("kept", MemfdFlags::CLOEXEC).ok().map(File::from)
}

#[cfg(not(target_os = "linux"))]
fn in_memory() -> Option<File> {
    None
}

/// Bytes of memory nobody uses; `None` where the system does not say. Nothing but speed
/// depends on it.
pub(super) fn free_memory() -> Option<u64> {
    let said = std::fs::read_to_string("/proc/meminfo").ok()?;
    let line = said.lines().find_map(|line| line.strip_prefix("MemAvailable:"))?;
    line.trim().strip_suffix("kB")?.trim().parse::<u64>().ok()?.checked_mul(1024)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn records_come_back_in_any_order_between_additions() {
        comes_back(Spool::new().unwrap());
        comes_back(Spool::quick(1 << 20).unwrap());
        // More than there is: a file on disk.
        comes_back(Spool::quick(u64::MAX).unwrap());
    }

    fn comes_back(mut spool: Spool) {
        let record = |n: usize| vec![n as u8; n * 37 % 50];
        let mut out = Vec::new();
        for n in 0..40 {
            assert_eq!(spool.add(&record(n)).unwrap(), n);
            for earlier in [0, n / 2, n] {
                assert!(spool.read(earlier, &mut out).unwrap());
                assert_eq!(out, record(earlier));
            }
        }
        assert!(!spool.read(40, &mut out).unwrap() && out.is_empty());
        assert_eq!(spool.len(), 40);
        let kept = postcard::to_allocvec(&spool).unwrap();
        let mut again: Spool = postcard::from_bytes(&kept).unwrap();
        for number in [39, 0, 17] {
            assert!(again.read(number, &mut out).unwrap());
            assert_eq!(out, record(number));
        }
        assert_eq!(again.add(&record(9)).unwrap(), 40);
        assert!(spool.read(3, &mut out).unwrap());
        assert_eq!(out, record(3));
    }
}
