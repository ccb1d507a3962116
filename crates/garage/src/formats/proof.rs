//! The saved proof: before, predicted and after, with what is known about them.

use crate::proof::Proof;

super::document_functions!(Proof);
