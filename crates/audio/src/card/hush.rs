//! Keeps the system's sound library from writing to standard error, where only our own one line belongs.

/// Sends what ALSA has to say on this thread to a buffer that nobody reads; our own errors carry the cause.
#[cfg(target_os = "linux")]
pub(super) fn hush() {
    // Installing it again empties the buffer; without one the library merely stays noisy.
    let _ = alsa::Output::local_error_handler();
}

/// Other systems keep quiet by themselves.
#[cfg(not(target_os = "linux"))]
pub(super) fn hush() {}
