//! The demo's configuration: `config/demo.toml`, with a folder and ports for this run.

use std::net::SocketAddr;
use std::path::Path;

use heapward_rules::units::Span;

use crate::config::{Config, EndpointConfig, StoreConfig, read};

const DEMO_TOML: &str = include_str!("../../../config/demo.toml");

/// The file as it is.
pub fn config() -> Result<Config, String> {
    read::read("demo.toml", DEMO_TOML, Path::new(""), None)
        .map_err(|problems| problems.0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
}

/// The file with the folder and the addresses of this run.
pub fn config_for(dir: &Path, endpoint: SocketAddr, http: SocketAddr) -> Result<Config, String> {
    let config = config()?;
    Ok(Config {
        // The clock stands still while messages wait for their acknowledgement: nothing may wait for the clock.
        store: StoreConfig { dir: dir.to_owned(), commit_every: Span::ZERO },
        endpoint: config.endpoint.map(|it| EndpointConfig { listen: endpoint, ..it }),
        http: crate::config::HttpConfig { listen: http, ..config.http },
        ..config
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::barn::FITTINGS;

    #[test]
    fn the_file_names_every_probe_of_the_farm() {
        let config = config().unwrap();
        let configured: Vec<(&str, _)> = config.probes.iter().map(|p| (p.id.as_str(), p.every)).collect();
        let fitted: Vec<(&str, _)> = FITTINGS.iter().map(|f| (f.id, f.every)).collect();
        assert_eq!(configured, fitted);
        assert_eq!(config.store.commit_every.0, 10);
    }
}
