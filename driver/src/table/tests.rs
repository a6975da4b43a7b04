//! Tables give what the layout gives.
