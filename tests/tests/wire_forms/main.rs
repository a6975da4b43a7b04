//! Every form of the wire, through every front: device handle, bus with a pin, their async twins, and the back door.

mod contract;
mod fronts;
mod latency;
mod modes;
mod traffic;
mod violations;
