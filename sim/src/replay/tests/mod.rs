//! Captures are made of virtual chains to which something was done, and replayed.

mod bench;
mod faults;
mod own_run;
