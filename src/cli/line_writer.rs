//! Writes lines to standard output or standard error from a thread of its own, so that a reader that does not read blocks nobody.
//!
//! A pipe holds 64 KiB; once it is full, a write waits until somebody reads. Invariants:
//! - [`LineSender::send`] never waits: with a full queue the line is dropped, and the caller learns that.
//! - Lines are written whole and in order; what is dropped is dropped between lines.
//! - [`LineWriter::flush`] waits for the queue at most as long as it is told; dropping the writer waits for [`LAST_LINES`] at most.

use std::fs::File;
use std::io::{ErrorKind, Write};
use std::os::fd::AsFd;
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::time::{Duration, Instant};

/// Lines in the queue, beside what the pipe holds.
const QUEUE: usize = 64;
/// Longest wait for the last lines at the end.
const LAST_LINES: Duration = Duration::from_millis(500);
/// Pause before the next attempt where the descriptor itself does not wait.
const RETRY: Duration = Duration::from_millis(50);

/// What the thread writes or does.
enum Item {
    Line(Vec<u8>),
    /// Answers when everything before is written.
    Flush(SyncSender<()>),
}

/// The thread and its queue.
pub struct LineWriter {
    sender: LineSender,
}

/// Sends lines to the queue.
#[derive(Clone)]
pub struct LineSender(SyncSender<Item>);

impl LineWriter {
    /// Writes to a copy of a descriptor.
    pub fn new(descriptor: impl AsFd) -> std::io::Result<Self> {
        let mut file = File::from(descriptor.as_fd().try_clone_to_owned()?);
        let (send, items) = sync_channel(QUEUE);
        std::thread::Builder::new().name("lines".into()).spawn(move || {
            for item in items {
                match item {
                    Item::Line(line) => write_patiently(&mut file, &line),
                    // Nobody waits for an answer that comes too late.
                    Item::Flush(done) => drop(done.send(())),
                }
            }
        })?;
        Ok(Self { sender: LineSender(send) })
    }

    /// A handle for another thread.
    pub fn sender(&self) -> LineSender {
        self.sender.clone()
    }

    /// Waits until every line is written that was sent before, but no longer than `longest`; returns whether all were.
    pub fn flush(&self, longest: Duration) -> bool {
        let (done, written) = sync_channel(1);
        let began = Instant::now();
        let mut flush = Item::Flush(done);
        while let Err(TrySendError::Full(item)) = self.sender.0.try_send(flush) {
            if began.elapsed() >= longest {
                return false;
            }
            flush = item;
            std::thread::sleep(RETRY.min(longest));
        }
        written.recv_timeout(longest.saturating_sub(began.elapsed())).is_ok()
    }
}

impl Drop for LineWriter {
    fn drop(&mut self) {
        self.flush(LAST_LINES);
    }
}

impl LineSender {
    /// Queues a line with its line end; returns false where the queue is full and the line was dropped.
    pub fn send(&self, line: Vec<u8>) -> bool {
        // Without a thread nobody reads: nothing is owed.
        !matches!(self.0.try_send(Item::Line(line)), Err(TrySendError::Full(_)))
    }
}

/// Writes all bytes. A closed reader is no reason to stop: the lines are then discarded.
fn write_patiently(file: &mut File, mut bytes: &[u8]) {
    while !bytes.is_empty() {
        match file.write(bytes) {
            Ok(n) => bytes = &bytes[n..],
            Err(e) if e.kind() == ErrorKind::Interrupted => {}
            Err(e) if e.kind() == ErrorKind::WouldBlock => std::thread::sleep(RETRY),
            Err(_) => return,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Read;
    use std::time::Instant;

    /// Every line arrives, in order.
    #[test]
    fn lines_arrive_in_order() {
        let (mut reader, writer) = std::io::pipe().unwrap();
        let lines = LineWriter::new(&writer).unwrap();
        drop(writer);
        for n in 0..QUEUE {
            assert!(lines.sender().send(format!("{n}\n").into_bytes()));
        }
        assert!(lines.flush(Duration::from_secs(10)));
        drop(lines);
        let mut text = String::new();
        reader.read_to_string(&mut text).unwrap();
        assert_eq!(text, (0..QUEUE).map(|n| format!("{n}\n")).collect::<String>());
    }

    /// A reader that does not read: sending never waits, lines are dropped, and the end waits only as long as it is told. Once it
    /// reads, it gets whole lines.
    #[test]
    fn a_reader_that_does_not_read_blocks_nobody() {
        let (mut reader, writer) = std::io::pipe().unwrap();
        let lines = LineWriter::new(&writer).unwrap();
        drop(writer);
        let (line, began) = (vec![b'x'; 3999], Instant::now());
        let whole: Vec<u8> = [&line[..], b"\n"].concat();
        let sent = (0..5000).filter(|_| lines.sender().send(whole.clone())).count();
        assert!((QUEUE..5000).contains(&sent), "{sent} of 5000 were queued");
        assert!(!lines.flush(Duration::from_millis(100)));
        drop(lines);
        assert!(began.elapsed() < Duration::from_secs(5), "{:?}", began.elapsed());
        let mut bytes = Vec::new();
        reader.read_to_end(&mut bytes).unwrap();
        assert_eq!(bytes, whole.repeat(sent));
    }

    /// A closed reader discards lines.
    #[test]
    fn a_closed_reader_discards_lines() {
        let (reader, writer) = std::io::pipe().unwrap();
        let lines = LineWriter::new(&writer).unwrap();
        drop((reader, writer));
        assert!((0..QUEUE).all(|_| lines.sender().send(b"line\n".to_vec())));
        assert!(lines.flush(Duration::from_secs(10)));
    }
}
