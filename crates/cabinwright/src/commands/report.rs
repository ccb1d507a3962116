//! `cabinwright report`

use std::path::PathBuf;

use serde::Serialize;

use crate::face::{Face, Failure, Outcome};

/// Writes the customer's document for a visit.
///
/// A PDF of a few pages: before and after with their 95 % intervals, what was done and what was left alone and why, the
/// entry sheet, the rig and its calibration, conditions and cautions. Parts that the visit does not have yet are said
/// in words, so that a report can be written at any time. No audio is read.
#[derive(clap::Args)]
pub struct Args {
    /// The visit, GARAGE/cars/CAR/visits/DATE-N.
    #[arg(long, value_name = "DIR")]
    visit: PathBuf,
    /// Where to write the document.
    #[arg(long, value_name = "FILE.pdf")]
    out: PathBuf,
}

#[derive(Serialize)]
struct Answer {
    out: PathBuf,
    pages: usize,
    bytes: usize,
    proved: bool,
    simulated: bool,
    remarks: Vec<String>,
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    face.may_write(&args.out)?;
    let document = report::gather(&args.visit)?;
    let written = report::write_pdf(&document, &args.out)?;
    let answer = Answer {
        pages: written.pages,
        bytes: written.bytes,
        proved: document.proof.is_some(),
        simulated: document.simulated(),
        remarks: document.remarks,
        out: args.out,
    };
    let mut words = format!(
        "{}{} pages written to {}.",
        if answer.simulated { "SIMULATED. " } else { "" },
        answer.pages,
        answer.out.display()
    );
    if !answer.proved {
        words.push_str("\n  There is no proof in this visit yet; the report says so.");
    }
    for remark in &answer.remarks {
        words.push_str("\n  ");
        words.push_str(remark);
    }
    face.answer(words, &answer)?;
    Ok(Outcome::Done)
}
