//! The signature of a folder, made and checked by `ssh-keygen -Y`: what an inspector has on any machine, so that nothing
//! of Heapward has to be believed.

use std::fs::File;
use std::path::Path;
use std::process::{Command, Stdio};

use super::{SIGNATURE, SUMS};

/// What a key of a farm says with the signature, so that it is none for anything else.
pub const NAMESPACE: &str = "heapward-record";
/// Name under which the key stands in the list of who may sign.
pub const SIGNER: &str = "heapward";

#[derive(Debug, thiserror::Error)]
pub enum SignatureProblem {
    #[error("ssh-keygen can't be started ({0}): apt install openssh-client")]
    Start(std::io::Error),
    #[error("{0}")]
    Refused(String),
}

/// Signs the sums of a folder with a key of the user's; a key with a passphrase asks for it on the terminal.
pub fn sign(folder: &Path, key: &Path) -> Result<(), SignatureProblem> {
    let mut command = Command::new("ssh-keygen");
    command.args(["-Y", "sign", "-n", NAMESPACE, "-f"]).arg(key).arg(folder.join(SUMS));
    finish(command.stdout(Stdio::null()))
}

/// Whether the folder's sums are signed by a key that `allowed` lists for `heapward`.
pub fn check(folder: &Path, allowed: &Path) -> Result<(), SignatureProblem> {
    let sums = File::open(folder.join(SUMS))
        .map_err(|error| SignatureProblem::Refused(format!("{SUMS} can't be read: {error}")))?;
    let mut command = Command::new("ssh-keygen");
    command.args(["-Y", "verify", "-n", NAMESPACE, "-I", SIGNER, "-f"]).arg(allowed);
    command.arg("-s").arg(folder.join(SIGNATURE)).stdin(sums);
    finish(command.stdout(Stdio::null()))
}

fn finish(command: &mut Command) -> Result<(), SignatureProblem> {
    let output = command.stderr(Stdio::piped()).output().map_err(SignatureProblem::Start)?;
    if output.status.success() {
        return Ok(());
    }
    let said = String::from_utf8_lossy(&output.stderr);
    let said = said.lines().map(str::trim).filter(|line| !line.is_empty()).collect::<Vec<_>>().join("; ");
    Err(SignatureProblem::Refused(if said.is_empty() { "ssh-keygen refused it".to_owned() } else { said }))
}
