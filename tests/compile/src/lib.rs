//! Register maps that must not compile, apart from the other tests: what is compiled here is compiled anew for each
//! case, and should have few packages to wait for.
