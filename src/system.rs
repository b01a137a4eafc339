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

/// Asks a child process to end (SIGTERM). One that has ended already is left alone: until it is waited for, its number
/// cannot have gone to another process.
pub fn terminate(child: &std::process::Child) {
    let Ok(pid) = libc::pid_t::try_from(child.id()) else { return };
    // SAFETY: kill takes two integers and touches no memory of ours; a process that is gone is an error answer.
    unsafe { libc::kill(pid, libc::SIGTERM) };
}

/// Makes a write beyond the limit of a file's size fail (EFBIG) instead of ending the process by SIGXFSZ.
pub fn report_file_size_limit() {
    // SAFETY: SIG_IGN runs no handler; signal touches no memory of ours.
    unsafe { libc::signal(libc::SIGXFSZ, libc::SIG_IGN) };
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
