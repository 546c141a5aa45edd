//! The certificate authorities that mail and requests trust: those of the system, or of a file that the farm names.
//!
//! The system's are read from its bundle of PEM certificates, as Debian's `ca-certificates` keeps it, or from the file that
//! `SSL_CERT_FILE` names, as for most programs.

use std::path::{Path, PathBuf};

use rustls::RootCertStore;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;

/// Where Debian keeps its bundle, then Fedora, Alpine.
const BUNDLES: [&str; 3] =
    ["/etc/ssl/certs/ca-certificates.crt", "/etc/pki/tls/certs/ca-bundle.crt", "/etc/ssl/cert.pem"];

/// Those of `ca_file`, else the system's. There is no TLS without one.
pub fn authorities(ca_file: Option<&Path>) -> Result<Vec<CertificateDer<'static>>, String> {
    match ca_file {
        Some(file) => read(file),
        None => read(&bundle(std::env::var_os("SSL_CERT_FILE").map(PathBuf::from), &BUNDLES)?),
    }
}

fn bundle(named: Option<PathBuf>, known: &[&str]) -> Result<PathBuf, String> {
    let found = named.or_else(|| known.iter().map(PathBuf::from).find(|file| file.exists()));
    found.ok_or_else(|| {
        "this machine knows no certificate authorities; run `apt-get install ca-certificates`, or name yours in `ca_file`"
            .to_owned()
    })
}

fn read(file: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let pem = std::fs::read(file).map_err(|error| format!("{}: {error}", file.display()))?;
    // One odd entry in a bundle of a hundred and forty must not cost the farm its mail.
    let all: Vec<_> = CertificateDer::pem_slice_iter(&pem).flatten().filter(is_usable).collect();
    if all.is_empty() { Err(format!("{} holds no PEM certificate", file.display())) } else { Ok(all) }
}

fn is_usable(authority: &CertificateDer<'static>) -> bool {
    RootCertStore::empty().add(authority.clone()).is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_file_that_is_named_comes_first_then_the_first_that_is_there() {
        let dir = tempfile::tempdir().unwrap();
        let here = dir.path().join("ca.crt");
        std::fs::write(&here, "no certificate").unwrap();
        let known = ["/nowhere/ca.crt", here.to_str().unwrap()];
        assert_eq!(bundle(Some("/other.pem".into()), &known), Ok(PathBuf::from("/other.pem")));
        assert_eq!(bundle(None, &known), Ok(here.clone()));
        assert!(bundle(None, &known[..1]).unwrap_err().contains("apt-get install ca-certificates"));
        assert!(read(&here).unwrap_err().contains("holds no PEM certificate"));
        assert!(read(Path::new("/nowhere/ca.crt")).unwrap_err().contains("/nowhere/ca.crt: "));
    }
}
