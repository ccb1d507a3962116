//! The handover stage.

use std::path::PathBuf;

/// The stage.
#[derive(Debug, Clone, Default)]
pub struct HandoverPage {
    /// The tune that is proved; the latest without.
    pub tune: Option<u32>,
    /// The side on the board; the first without.
    pub side: Option<String>,
    /// The entry sheet stands in place of the curves.
    pub typing: bool,
    /// The channel whose sheet was asked for; without, the first that is not all typed in.
    pub channel: Option<String>,
    /// Where the report goes.
    pub report: String,
    /// The report that was written last.
    pub written: Option<PathBuf>,
}
