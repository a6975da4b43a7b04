//! The program run from outside, in a directory of the test's own.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// What a run of the program left behind.
pub(crate) struct Ran {
    pub(crate) exit: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Ran {
    /// One for each line.
    pub(crate) fn objects(&self) -> Vec<Value> {
        self.out.lines().map(|line| serde_json::from_str(line).expect(line)).collect()
    }
}

/// Runs the program in a directory.
pub(crate) fn stepchain(directory: &Path, arguments: &[&str]) -> Ran {
    let output = Command::new(env!("CARGO_BIN_EXE_stepchain")).args(arguments).current_dir(directory).output().unwrap();
    Ran {
        exit: output.status.code().unwrap(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

/// A new empty directory for one test.
pub(crate) fn directory(test: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(test);
    let _ = fs::remove_dir_all(&path);
    fs::create_dir_all(&path).unwrap();
    path
}
