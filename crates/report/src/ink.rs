//! The colours, on white paper; each at least 4.5 : 1 against it.

/// A colour as red, green, blue.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ink(pub u8, pub u8, pub u8);

/// Text, axes.
pub const TEXT: Ink = Ink(0x1E, 0x23, 0x27);
/// Units, hints.
pub const QUIET: Ink = Ink(0x5A, 0x61, 0x68);
/// Hairlines and grid; never text.
pub const LINE: Ink = Ink(0xD9, 0xD3, 0xC7);
/// The car as it came.
pub const BEFORE: Ink = Ink(0x0B, 0x6A, 0xA8);
/// The car as it is handed over, and what was predicted of it.
pub const AFTER: Ink = Ink(0xB8, 0x4A, 0x00);
/// The corridor around the target.
pub const CORRIDOR: Ink = Ink(0x0F, 0x7F, 0x5F);
/// Doubts; always with a word.
pub const WARN: Ink = Ink(0x8A, 0x5A, 0x00);

impl Ink {
    /// As SVG writes it.
    pub fn hex(self) -> String {
        format!("#{:02X}{:02X}{:02X}", self.0, self.1, self.2)
    }
}
