//! TLS to the broker: the farm's own certificate authority, and a certificate of ours if the broker asks for one.

use std::path::Path;
use std::sync::Arc;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use rustls::{CertificateError, ClientConfig, RootCertStore};
use tokio_rustls::TlsConnector;

use crate::config::TlsConfig;

/// How to begin a TLS connection, and the name that the broker's certificate must bear.
#[derive(Clone)]
pub(super) struct Tls {
    pub(super) connector: TlsConnector,
    pub(super) name: ServerName<'static>,
}

// === impl Tls ===

impl Tls {
    /// Reads the certificates; the error names the file and what is wrong with it.
    pub(super) fn load(config: &TlsConfig, host: &str) -> Result<Tls, String> {
        let mut roots = RootCertStore::empty();
        for certificate in certificates(&config.ca_file)? {
            let file = config.ca_file.display();
            roots
                .add(certificate)
                .map_err(|error| format!("ca_file {file}: is no certificate authority ({error})"))?;
        }
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let builder = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(|error| format!("TLS can't be used here ({error})"))?
            .with_root_certificates(roots);
        let tls = match &config.client {
            None => builder.with_no_client_auth(),
            Some((certificate, key_file)) => {
                let key = PrivateKeyDer::from_pem_file(key_file)
                    .map_err(|error| format!("key_file {}: {error}", key_file.display()))?;
                builder
                    .with_client_auth_cert(certificates(certificate)?, key)
                    .map_err(|error| format!("certificate_file and key_file do not fit together ({error})"))?
            }
        };
        let name = ServerName::try_from(host.to_owned())
            .map_err(|_| format!("`{host}` is no name that a certificate could bear; correct `host`"))?;
        Ok(Tls { connector: TlsConnector::from(Arc::new(tls)), name })
    }
}

fn certificates(file: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let wrong = |what: String| format!("{}: {what}", file.display());
    let read = CertificateDer::pem_file_iter(file).map_err(|error| wrong(error.to_string()))?;
    let all: Vec<_> = read.collect::<Result<_, _>>().map_err(|error| wrong(error.to_string()))?;
    if all.is_empty() {
        return Err(wrong("holds no certificate in PEM form (-----BEGIN CERTIFICATE-----)".to_owned()));
    }
    Ok(all)
}

/// What is wrong with a TLS connection, in words for the grower.
pub(super) fn sentence(error: &std::io::Error, address: &str) -> String {
    let inner = error.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>());
    match inner {
        Some(rustls::Error::InvalidCertificate(
            CertificateError::Expired | CertificateError::ExpiredContext { .. },
        )) => {
            format!("the certificate of {address} has expired; renew it on the broker")
        }
        Some(rustls::Error::InvalidCertificate(
            CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. },
        )) => format!("the certificate of {address} is not valid yet; is the clock of this machine set?"),
        Some(rustls::Error::InvalidCertificate(
            CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. },
        )) => format!(
            "the certificate of {address} is for another name; write `host` as it stands in the certificate"
        ),
        Some(rustls::Error::InvalidCertificate(CertificateError::UnknownIssuer)) => {
            format!(
                "the certificate of {address} is not signed by the authority in `ca_file`; correct that file"
            )
        }
        Some(rustls::Error::AlertReceived(alert)) => {
            format!("{address} refuses the TLS connection ({alert:?}); does it want a client certificate?")
        }
        _ => format!("no TLS connection to {address} ({error}); is its port one for TLS?"),
    }
}
