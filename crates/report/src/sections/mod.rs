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

/// The whole document as pages.
pub fn lay_out(document: &Document, letters: &Letters) -> Vec<Page> {
    let mut flow = Flow::new(letters);
    frame::opening(&mut flow, document);
    proof::write(&mut flow, document);
    done::write(&mut flow, document);
    factory::write(&mut flow, document);
    car::write(&mut flow, document);
    entry::write(&mut flow, document);
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
