//! The parts of the document, in the order a customer and then a colleague reads them.

mod car;
mod done;
mod entry;
mod factory;
mod frame;
mod proof;
mod rig;

use crate::Document;
use crate::flow::Flow;
use crate::letters::Letters;
use crate::page::Page;

/// A customer reads two or three pages.
const WELCOME_PAGES: usize = 3;

/// The whole document as pages: the entry sheet roomy, or dense where that saves a page of a long document.
pub fn lay_out(document: &Document, letters: &Letters) -> Vec<Page> {
    let roomy = lay_out_with(&entry::ROOMY, document, letters);
    if roomy.len() <= WELCOME_PAGES {
        return roomy;
    }
    let dense = lay_out_with(&entry::DENSE, document, letters);
    if dense.len() < roomy.len() { dense } else { roomy }
}

fn lay_out_with(sheet: &entry::Sheet, document: &Document, letters: &Letters) -> Vec<Page> {
    let mut flow = Flow::new(letters);
    frame::opening(&mut flow, document);
    proof::write(&mut flow, document);
    done::write(&mut flow, document);
    factory::write(&mut flow, document);
    car::write(&mut flow, document);
    entry::write(&mut flow, document, sheet);
    flow.space(4.0);
    let closing = |flow: &mut Flow<'_>| {
        rig::write(flow, document);
        car::conditions(flow, document);
        car::cautions(flow, document);
        frame::remarks(flow, document);
    };
    flow.leave_no_rest(3, closing);
    flow.in_columns(3, closing);
    frame::run_around(flow.finish(), document, letters)
}
