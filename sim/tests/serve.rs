//! `stepchain serve` from outside: both kinds of link, exit codes, files, and what is refused.

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Output, Stdio};

use serde_json::Value;
use stepchain_link::message::Line;
use stepchain_link::{Link, Transport};

/// A new empty directory for one test, with a bench in it.
fn directory(test: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(test);
    let _ = fs::remove_dir_all(&path);
    fs::create_dir_all(&path).unwrap();
    let bench = "chain = { map = \"latched\", axes = [\"lift\"] }\n[expect]\nlift = 0\n";
    fs::write(path.join("lift.toml"), bench).unwrap();
    path
}

fn start(directory: &Path, arguments: &[&str]) -> Child {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stepchain"));
    command.arg("serve").args(arguments).current_dir(directory);
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

fn refused(arguments: &[&str]) -> String {
    let Output { status, stdout, stderr } = start(&directory("serve-refused"), arguments).wait_with_output().unwrap();
    let err = String::from_utf8(stderr).unwrap();
    assert_eq!((status.code(), stdout.as_slice()), (Some(2), &b""[..]), "{err}");
    err
}

/// The two pipes of a child, or the two halves of a connection.
struct Pipes<R, W>(R, W);

impl<R: Read, W: Write> Transport for Pipes<R, W> {
    type Error = std::io::ErrorKind;

    fn write(&mut self, bytes: &[u8]) -> Result<(), Self::Error> {
        self.1.write_all(bytes).and_then(|()| self.1.flush()).map_err(|error| error.kind())
    }

    fn read(&mut self) -> Result<Option<u8>, Self::Error> {
        let mut byte = [0];
        self.0.read_exact(&mut byte).map_err(|error| error.kind())?;
        Ok(Some(byte[0]))
    }
}

fn begin(child: &mut Child) -> Link<Pipes<ChildStdout, ChildStdin>> {
    let pipes = Pipes(child.stdout.take().unwrap(), child.stdin.take().unwrap());
    Link::begin(pipes, 1).map_err(|(error, _)| error).unwrap().0
}

fn objects(text: &str) -> Vec<Value> {
    text.lines().map(|line| serde_json::from_str(line).expect(line)).collect()
}

#[test]
fn over_stdio_stdout_is_the_link_alone_and_the_results_go_to_stderr_and_to_files() {
    let directory = directory("serve-stdio");
    let mut child = start(&directory, &["lift.toml", "--stdio", "--format", "json", "--out", "out"]);
    let mut link = begin(&mut child);
    assert_eq!(link.delay(2_000_000_000), Ok(()));
    assert_eq!(link.is_active(Line::Busy { device: None }), Ok(false));
    assert_eq!(link.log(b"both words"), Ok(()));
    assert_eq!(link.end(0), Ok(()));
    drop(link);
    let Output { status, stderr, .. } = child.wait_with_output().unwrap();
    let err = String::from_utf8(stderr).unwrap();
    assert_eq!(status.code(), Some(0), "{err}");
    let [axis, whole] = objects(&err).try_into().unwrap();
    assert_eq!((axis["axis"].as_str(), axis["reached_steps"].as_f64()), (Some("lift"), Some(0.0)));
    let told = [&whole["duration_s"], &whole["requests"], &whole["end"]].map(Value::as_f64);
    assert_eq!(told, [Some(2.0), Some(5.0), Some(0.0)]);
    for name in ["report.html", "bus.vcd", "motion.csv", "frames.csv", "log.txt", "firmware.log"] {
        assert!(directory.join("out").join(name).is_file(), "{name}");
    }
    assert_eq!(fs::read(directory.join("out/firmware.log")).unwrap(), b"both words");
    assert_eq!(fs::read_to_string(directory.join("out/frames.csv")).unwrap(), "time_s,frame,mosi,miso\n");
}

#[test]
fn firmware_that_fails_or_leaves_without_a_word_is_exit_1_and_told() {
    let directory = directory("serve-failed");
    for (status, said) in [(Some(7), "it failed, with status 7"), (None, "before the firmware said that it was done")] {
        let mut child = start(&directory, &["lift.toml", "--stdio"]);
        let mut link = begin(&mut child);
        if let Some(status) = status {
            assert_eq!(link.end(status), Ok(()));
        }
        drop(link);
        let Output { status, stderr, .. } = child.wait_with_output().unwrap();
        let err = String::from_utf8(stderr).unwrap();
        assert_eq!(status.code(), Some(1), "{err}");
        assert!(err.contains(said), "{err}");
    }
}

/// By hand: 100 steps/s of the built-in bench's map are 0x1388, and a driver that is too hot lets its motor go.
#[test]
fn over_tcp_the_port_is_told_and_a_condition_strikes_the_named_axis() {
    let condition = "lift:overtemperature@1.5..2.5";
    let arguments = ["lift.toml", "--listen", "127.0.0.1:0", "--condition", condition];
    let mut child = start(&directory("serve-tcp"), &arguments);
    let mut line = String::new();
    BufReader::new(child.stderr.take().unwrap()).read_line(&mut line).unwrap();
    let address = line.trim().strip_prefix("stepchain: listening at ").expect(&line);
    let stream = TcpStream::connect(address).unwrap();
    let pipes = Pipes(stream.try_clone().unwrap(), stream);
    let (mut link, _) = Link::begin(pipes, 1).map_err(|(error, _)| error).unwrap();
    let fault = Line::Fault { device: Some(0) };
    assert_eq!((link.delay(1_499_999_999), link.is_active(fault)), (Ok(()), Ok(false)));
    assert_eq!((link.delay(1), link.is_active(fault)), (Ok(()), Ok(true)));
    assert_eq!(link.end(0), Ok(()));
    let Output { status, stdout, .. } = child.wait_with_output().unwrap();
    let out = String::from_utf8(stdout).unwrap();
    assert_eq!(status.code(), Some(0), "{out}");
    assert!(out.contains("overtemperature") && out.contains("high impedance"), "{out}");
}

#[test]
fn what_cannot_be_offered_is_refused_with_what_was_found_and_expected() {
    for (arguments, said) in [
        (&["lift.toml"][..], "--stdio"),
        (&["lift.toml", "--stdio", "--listen", "127.0.0.1:0"], "cannot be used with"),
        (&["lift.toml", "--listen", "0.0.0.0:0"], "found 0.0.0.0:0, expected an address of this computer alone"),
        (&["lift.toml", "--stdio", "--any-host"], "cannot be used with"),
        (&["none.toml", "--stdio"], "none.toml: found nothing that can be read"),
        (&["lift.toml", "--stdio", "--condition", "lift"], "found \"lift\", expected AXIS:FLAG@FROM_S"),
        (&["lift.toml", "--stdio", "--condition", "left:stall@1"], "found \"left\", expected one of `lift`"),
        (&["lift.toml", "--stdio", "--condition", "lift:overtemprature@1"], "did you mean `overtemperature`?"),
        (&["lift.toml", "--stdio", "--condition", "lift:overtemperature@soon"], "found \"soon\", expected a time"),
        (&["lift.toml", "--stdio", "--condition", "lift:overtemperature@2..1"], "expected an end after the beginning"),
        (&["lift.toml", "--stdio", "--out", "."], "found a directory that exists"),
    ] {
        let err = refused(arguments);
        assert!(err.contains(said), "{arguments:?} says\n{err}, not\n{said}");
    }
}

/// In the mode of the wall's pace the answer to a delay comes no sooner than the delay is over.
#[test]
fn at_the_walls_pace_waits_are_real() {
    let mut child = start(&directory("serve-pace"), &["lift.toml", "--stdio", "--real-time"]);
    let mut link = begin(&mut child);
    let before_ns = link.now_ns().unwrap();
    assert_eq!(link.delay(60_000_000), Ok(()));
    assert!(link.now_ns().unwrap() - before_ns >= 60_000_000);
    assert_eq!(link.end(0), Ok(()));
    drop(link);
    assert_eq!(child.wait().unwrap().code(), Some(0));
}
