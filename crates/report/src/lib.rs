//! Pictures and the customer's document.
//!
//! A visit is gathered into a [`Document`], laid out as `page`s of simple marks, and painted as PDF. Nothing is
//! worked out here: every figure is read from the records.

mod flow;
mod gather;
pub mod ink;
mod letters;
mod page;
mod pdf;
pub mod picture;
mod sections;
mod table;
mod words;

use std::path::{Path, PathBuf};

pub use gather::{Document, gather};

/// Why a report could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The typeface that is built in cannot be used.
    #[error(
        "the built-in typeface {0} cannot be read; build the program again with whole files in assets/fonts"
    )]
    Typeface(&'static str),
    /// A page could not be painted.
    #[error("{}: page {page} of the report could not be painted ({why}); nothing was written", path.display())]
    Page {
        /// The report.
        path: PathBuf,
        /// Counted from 1.
        page: usize,
        /// What the library says.
        why: String,
    },
    /// The folder of the pictures cannot be made.
    #[error("{}: cannot be made ({cause}); give another folder", path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
        /// The system's reason.
        cause: std::io::Error,
    },
    /// The system's reason.
    #[error(transparent)]
    Write(#[from] garage::FormatError),
}

/// What was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Written {
    /// Pages.
    pub pages: usize,
    /// Size of the file.
    pub bytes: usize,
}

/// Writes every picture of the document into the folder as SVG, each named after what it shows.
///
/// # Errors
/// The system's reason when the folder or a file cannot be written.
pub fn write_pictures(document: &Document, folder: &Path) -> Result<Vec<PathBuf>, ReportError> {
    let mut pictures: Vec<(String, String)> = Vec::new();
    if let Some(svg) = document.finding.as_ref().and_then(picture::finding_svg) {
        pictures.push(("factory-signal".into(), svg));
    }
    if let Some(proof) = &document.proof {
        let drawn = |side| picture::proof_svg(side, &proof.target, proof.simulated);
        pictures.extend(proof.parts().map(|side| (garage::slug::slug(&side.name), drawn(side))));
    }
    let cannot = |cause| ReportError::Folder { path: folder.to_owned(), cause };
    std::fs::create_dir_all(folder).map_err(cannot)?;
    let mut written = Vec::new();
    for (name, svg) in pictures {
        let file = folder.join(format!("{name}.svg"));
        garage::atomic::write(&file, svg.as_bytes())?;
        written.push(file);
    }
    Ok(written)
}

/// Writes the customer's document as PDF, in place of an earlier one.
///
/// The file appears whole or not at all. Parts that a visit does not have yet are said in words.
///
/// # Errors
/// A page that cannot be painted; the system's reason when the file cannot be written.
pub fn write_pdf(document: &Document, out: &Path) -> Result<Written, ReportError> {
    let letters = letters::Letters::built_in()?;
    let pages = sections::lay_out(document, &letters);
    let bytes = pdf::paint(&pages, &words::title(document), out)?;
    garage::atomic::write(out, &bytes)?;
    Ok(Written { pages: pages.len(), bytes: bytes.len() })
}
