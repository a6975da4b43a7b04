//! Offers the chain on a TCP port, to one client at a time; who comes meanwhile is told so and sent away.

use std::io;
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, Sender};
use std::thread;

use super::offer::Offer;
use super::pace::Wall;
use super::talk::{Left, Talk, turn_away};

/// What the one who talks and the one who opens the door know of one another.
#[derive(Debug, Default)]
struct Door {
    is_taken: AtomicBool,
    is_over: AtomicBool,
}

/// Talks to one client after another until one has said that it is done. The chain goes on from client to client.
///
/// # Errors
/// The listener's, and the line's own.
pub fn listen(
    listener: &TcpListener,
    talk: &mut Talk,
    offer: &mut Offer,
    mut wall: Option<&mut dyn Wall>,
) -> io::Result<()> {
    let (door, own) = (Door::default(), listener.local_addr()?);
    let (clients, next_client) = mpsc::channel();
    thread::scope(|scope| {
        let at_the_door = &door;
        scope.spawn(move || open(listener, at_the_door, &clients));
        let mut result = Ok(());
        while let Ok(client) = next_client.recv() {
            let left = client.and_then(|client| {
                // Requests and answers are short, and each waits for the other.
                client.set_nodelay(true)?;
                let mut input = client.try_clone()?;
                let wall: Option<&mut dyn Wall> = match &mut wall {
                    Some(wall) => Some(&mut **wall),
                    None => None,
                };
                talk.hold(offer, &mut input, &mut { client }, wall)
            });
            door.is_taken.store(false, Ordering::SeqCst);
            match left {
                Ok(Left::Closed) => {}
                Ok(Left::Ended) => break,
                Err(error) => {
                    result = Err(error);
                    break;
                }
            }
        }
        door.is_over.store(true, Ordering::SeqCst);
        // Whoever waits at the door has to be woken to see that it is over. Where that fails, it has seen so already.
        let _ = TcpStream::connect(own);
        result
    })
}

/// Lets in whoever comes while nobody is inside, and sends away the others.
fn open(listener: &TcpListener, door: &Door, clients: &Sender<io::Result<TcpStream>>) {
    loop {
        let client = listener.accept().map(|(client, _)| client);
        if door.is_over.load(Ordering::SeqCst) {
            return;
        }
        let has_failed = client.is_err();
        if !door.is_taken.swap(true, Ordering::SeqCst) || has_failed {
            if clients.send(client).is_err() || has_failed {
                return;
            }
        } else if let Ok(mut client) = client {
            // It is not told where it has left already.
            let _ = turn_away(&mut client);
        }
    }
}
