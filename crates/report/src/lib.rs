//! Pictures and the customer's document.
