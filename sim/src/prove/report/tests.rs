//! The evidence of a ledger that was written by hand.
