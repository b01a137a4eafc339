//! The one file with system calls that have no safe wrapper; every `unsafe` of the program is here.
//!
//! Each function is a single call with a typed answer and decides nothing that could be decided elsewhere.

use std::os::fd::RawFd;
use std::path::Path;

/// A system call that failed.
#[derive(Debug, thiserror::Error)]
pub enum SystemError {
    /// The call, and what the kernel said.
    #[error("{call} failed: {source}")]
    Call {
        /// Name of the call.
        call: &'static str,
        /// What the kernel said.
        source: std::io::Error,
    },
}

fn failed(call: &'static str) -> SystemError {
    SystemError::Call { call, source: std::io::Error::last_os_error() }
}

/// Makes reads and writes on a descriptor return at once, whatever the line does.
///
/// A raw terminal waits inside `read` for one byte (VMIN = 1), so a byte that vanishes between `poll` and `read` would
/// hang the caller for ever; a full output queue does the same to `write`. Afterwards both answer "would block" instead.
/// (VMIN = 0 would cure only `read`, and make an empty line look like a hang-up: both answer 0 bytes.)
pub fn never_block(fd: RawFd) -> Result<(), SystemError> {
    // SAFETY: F_GETFL takes no argument and touches no memory of ours; a bad descriptor is an error answer.
    let flags = unsafe { libc::fcntl(fd, libc::F_GETFL) };
    if flags < 0 {
        return Err(failed("fcntl(F_GETFL)"));
    }
    // SAFETY: F_SETFL takes one integer and touches no memory of ours.
    if unsafe { libc::fcntl(fd, libc::F_SETFL, flags | libc::O_NONBLOCK) } < 0 {
        return Err(failed("fcntl(F_SETFL)"));
    }
    Ok(())
}

/// Makes the C library's allocator give memory back: one arena, and a fixed size from which on a block is mapped alone.
///
/// By default that size grows with use, so that the buffers of one large fit stay resident for months.
pub fn give_memory_back() {
    // A reading takes and gives back more than 128 KB: at that size the end of the heap would come and go with each.
    const TRIM_FROM: libc::c_int = 256 * 1024;
    // SAFETY: mallopt takes two integers and changes settings of the allocator only; called before other threads start.
    unsafe {
        libc::mallopt(libc::M_ARENA_MAX, 1);
        libc::mallopt(libc::M_MMAP_THRESHOLD, 128 * 1024);
        libc::mallopt(libc::M_TRIM_THRESHOLD, TRIM_FROM);
    }
}

/// Lets go of memory that nothing uses at present: free pages of the allocator, and pages of the program and its libraries
/// that are the file's own bytes; those that are in use come back by themselves, from the page cache.
///
/// What a program runs through once (its start, a day's summing up) otherwise stays mapped for months, and every page that
/// was needed brought fifteen neighbours along.
pub fn let_go_of_idle_memory() {
    // SAFETY: malloc_trim takes one integer; the allocator locks itself.
    unsafe { libc::malloc_trim(0) };
    // Where the kernel does not tell, everything stays as it is.
    let mappings = std::fs::read_to_string("/proc/self/smaps").unwrap_or_default();
    for (start, end) in unchanged(&mappings) {
        // SAFETY: the kernel says that these are pages of a file, that nobody may write to them and that none of them
        // differs from the file, so that what is dropped is read again as it was. Where it refuses, nothing has happened.
        unsafe { libc::madvise(start as *mut libc::c_void, end - start, libc::MADV_DONTNEED) };
    }
}

/// The mappings (start, end) in an smaps file of files that may not be written to and have not been: no page is the process's
/// own, in memory or swapped out. Constants with addresses in them are files that may not be written to either, but were.
fn unchanged(smaps: &str) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut candidate = None;
    let (mut own, mut swapped) = (None, None);
    // A header begins the next mapping; one more line than there are ends the last.
    for line in smaps.lines().chain(["0-0 ---p"]) {
        let mut words = line.split_ascii_whitespace();
        let Some(first) = words.next() else { continue };
        let size = |words: &mut std::str::SplitAsciiWhitespace<'_>| words.next().and_then(|kb| kb.parse::<u64>().ok());
        match first {
            "Anonymous:" => own = size(&mut words),
            "Swap:" => swapped = size(&mut words),
            _ if first.ends_with(':') => {}
            _ => {
                found.extend(candidate.take().filter(|_| own == Some(0) && swapped == Some(0)));
                (own, swapped) = (None, None);
                let range = first.split_once('-').and_then(|(start, end)| {
                    Some((usize::from_str_radix(start, 16).ok()?, usize::from_str_radix(end, 16).ok()?))
                });
                let may = words.next().unwrap_or_default();
                // Offset, device and inode stand before the path.
                let file = words.nth(3).is_some_and(|path| path.starts_with('/'));
                candidate = range.filter(|_| file && (may == "r-xp" || may == "r--p"));
            }
        }
    }
    found
}

/// Asks a child process to end (SIGTERM). One that has ended already is left alone: until it is waited for, its number
/// cannot have gone to another process.
pub fn terminate(child: &std::process::Child) {
    let Ok(pid) = libc::pid_t::try_from(child.id()) else { return };
    // SAFETY: kill takes two integers and touches no memory of ours; a process that is gone is an error answer.
    unsafe { libc::kill(pid, libc::SIGTERM) };
}

/// How many bytes this user may still write where a file lies; `None` where that cannot be found out.
pub fn free_space(file: &Path) -> Option<u64> {
    let folder = file.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let name = std::ffi::CString::new(std::os::unix::ffi::OsStrExt::as_bytes(folder.as_os_str())).ok()?;
    // SAFETY: statvfs is plain integers, for which all zeroes is a valid value.
    let mut found: libc::statvfs = unsafe { std::mem::zeroed() };
    // SAFETY: `name` ends with a zero byte and `found` may be written to during the call.
    let done = unsafe { libc::statvfs(name.as_ptr(), &mut found) };
    #[allow(clippy::unnecessary_cast, reason = "the width of these fields differs between machines")]
    (done == 0).then_some((found.f_bavail as u64).saturating_mul(found.f_frsize as u64))
}

/// Whether the machine's clock is known to be synchronised; `None` when that cannot be found out.
///
/// The kernel's own word (`STA_UNSYNC` of adjtimex, kept by every common time service) comes first. Where a sandbox
/// forbids the question, the mark that systemd-timesyncd leaves after its first success still says yes; its absence
/// says nothing, because another service may keep the time.
pub fn clock_synchronised() -> Option<bool> {
    synchronised(kernel_clock_synchronised(), Path::new("/run/systemd/timesync/synchronized").exists())
}

fn synchronised(kernel: Option<bool>, marked: bool) -> Option<bool> {
    kernel.or(marked.then_some(true))
}

fn kernel_clock_synchronised() -> Option<bool> {
    // SAFETY: timex is plain integers, for which all zeroes is a valid value; modes = 0 only reads.
    let mut time: libc::timex = unsafe { std::mem::zeroed() };
    time.modes = 0;
    // SAFETY: `time` is a valid timex that the kernel may write to during the call.
    let state = unsafe { libc::adjtimex(&mut time) };
    (state >= 0).then_some(time.status & libc::STA_UNSYNC == 0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Read;
    use std::os::fd::AsRawFd;

    /// Identity: the kernel's word wins, the mark only helps where the kernel may not be asked, silence is unknown.
    #[test]
    fn an_unknown_clock_is_never_called_synchronised() {
        assert_eq!(synchronised(Some(false), true), Some(false));
        assert_eq!(synchronised(Some(true), false), Some(true));
        assert_eq!(synchronised(None, true), Some(true));
        assert_eq!(synchronised(None, false), None);
    }

    /// Identity: of a file's mappings only those are let go of that nobody may write to and whose pages are all the file's.
    #[test]
    fn only_mappings_that_are_still_the_file_are_let_go_of() {
        let mapping = |range: &str, may: &str, path: &str, own: u32, swapped: u32| {
            format!(
                "{range} {may} 00001000 fe:00 1234    {path}\nSize:   8 kB\nRss:   8 kB\nAnonymous:   {own} kB\n\
                 Swap:   {swapped} kB\nVmFlags: rd ex mr\n"
            )
        };
        let all = [
            mapping("1000-3000", "r-xp", "/usr/bin/vigilux", 0, 0),
            mapping("3000-5000", "r--p", "/usr/bin/vigilux", 0, 0),
            mapping("5000-7000", "r--p", "/usr/bin/vigilux", 4, 0),
            mapping("7000-9000", "r--p", "/usr/bin/vigilux", 0, 4),
            mapping("9000-b000", "rw-p", "/usr/bin/vigilux", 0, 0),
            mapping("b000-d000", "r--s", "/var/lib/vigilux/station.db-shm", 0, 0),
            mapping("d000-f000", "rw-p", "[heap]", 8, 0),
            mapping("f000-11000", "r-xp", "[vdso]", 0, 0),
            "11000-13000 r-xp 00001000 fe:00 1234 /lib/cut off.so\nAnonymous: 0 kB\n".to_owned(),
        ];
        assert_eq!(unchanged(&all.concat()), [(0x1000, 0x3000), (0x3000, 0x5000)]);
        assert_eq!(unchanged(&all[0]), [(0x1000, 0x3000)]);
        assert_eq!(unchanged("nonsense"), []);
    }

    /// Identity: what was let go of comes back as it was, code and constants.
    #[test]
    fn the_program_runs_on_after_it_let_go_of_idle_memory() {
        let before: Vec<f64> = (0..1000).map(|i| f64::from(i).sqrt().sin()).collect();
        let own = std::fs::read_to_string("/proc/self/smaps").unwrap();
        assert!(!unchanged(&own).is_empty());
        let_go_of_idle_memory();
        let after: Vec<f64> = (0..1000).map(|i| f64::from(i).sqrt().sin()).collect();
        assert_eq!(before, after);
    }

    /// Identity: an empty pipe answers "would block" instead of waiting; a descriptor that is none is an error.
    #[test]
    fn an_empty_line_answers_at_once() {
        let (mut reader, _writer) = std::io::pipe().unwrap();
        never_block(reader.as_raw_fd()).unwrap();
        assert_eq!(reader.read(&mut [0; 1]).unwrap_err().kind(), std::io::ErrorKind::WouldBlock);
        let text = never_block(-1).unwrap_err().to_string();
        assert!(text.starts_with("fcntl(F_GETFL) failed: "), "{text}");
    }
}
