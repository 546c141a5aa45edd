//! Topics to probes.

use std::collections::HashMap;
use std::sync::Arc;

use super::mapping::{Mapping, MappingProblem};
use crate::config::ProbeConfig;

/// Which probes a topic's messages are for. Never changed; a new set of probes is a new router.
#[derive(Debug, Default)]
pub struct Router {
    exact: HashMap<String, Vec<Arc<Mapping>>>,
    wild: Vec<(String, Arc<Mapping>)>,
    filters: Vec<String>,
}

// === impl Router ===

impl Router {
    /// Fails with the first probe whose mapping can't be read.
    pub fn new(probes: &[ProbeConfig]) -> Result<Router, MappingProblem> {
        let mut router = Router::default();
        for probe in probes {
            let mapping = Arc::new(Mapping::new(probe)?);
            if has_wildcards(&probe.topic) {
                router.wild.push((probe.topic.clone(), mapping));
            } else {
                router.exact.entry(probe.topic.clone()).or_default().push(mapping);
            }
        }
        router.filters = cover(probes.iter().map(|probe| probe.topic.as_str()));
        Ok(router)
    }

    /// All probes that this topic speaks for.
    pub fn route(&self, topic: &str) -> impl Iterator<Item = &Arc<Mapping>> {
        let exact = self.exact.get(topic).into_iter().flatten();
        let wild = self.wild.iter();
        exact.chain(wild.filter(|(filter, _)| matches(filter, topic)).map(|(_, mapping)| mapping))
    }

    /// Every probe with its topic.
    pub fn all(&self) -> impl Iterator<Item = (&str, &Mapping)> {
        let exact = self.exact.iter().flat_map(|(topic, all)| all.iter().map(move |one| (topic, one)));
        let wild = self.wild.iter().map(|(topic, one)| (topic, one));
        exact.chain(wild).map(|(topic, one)| (topic.as_str(), one.as_ref()))
    }

    /// What to subscribe to: none of the filters lies within another, since a broker may send a message once for each.
    pub fn filters(&self) -> &[String] {
        &self.filters
    }
}

fn has_wildcards(filter: &str) -> bool {
    filter.contains(['+', '#'])
}

/// Whether a topic (or a filter, as if it were one) lies within a filter: MQTT 3.1.1, section 4.7. A wildcard at the
/// first level takes no topic that begins with `$`.
pub fn matches(filter: &str, topic: &str) -> bool {
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut levels = topic.split('/');
    for wanted in filter.split('/') {
        match (wanted, levels.next()) {
            ("#", _) => return true,
            ("+", Some(level)) if level != "#" => {}
            (wanted, Some(level)) if wanted == level => {}
            _ => return false,
        }
    }
    levels.next().is_none()
}

fn cover<'f>(filters: impl Iterator<Item = &'f str>) -> Vec<String> {
    let mut all: Vec<&str> = filters.collect();
    all.sort_unstable();
    all.dedup();
    let within = |inner: &str| all.iter().any(|outer| *outer != inner && matches(outer, inner));
    all.iter().filter(|filter| !within(filter)).map(|filter| (*filter).to_owned()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The examples of MQTT 3.1.1, section 4.7.
    #[test]
    fn filters_match_as_the_standard_says() {
        let table = [
            ("sport/tennis/player1/#", "sport/tennis/player1", true),
            ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true),
            ("sport/#", "sport", true),
            ("sport/tennis/+", "sport/tennis/player1", true),
            ("sport/tennis/+", "sport/tennis/player1/ranking", false),
            ("sport/+", "sport", false),
            ("sport/+", "sport/", true),
            ("+/+", "/finance", true),
            ("/+", "/finance", true),
            ("+", "/finance", false),
            ("#", "$SYS/uptime", false),
            ("+/uptime", "$SYS/uptime", false),
            ("$SYS/#", "$SYS/uptime", true),
            ("a/b", "a/b", true),
            ("a/b", "A/b", false),
            ("", "", true),
            ("#", "\u{e4}/\u{20ac}", true),
        ];
        for (filter, topic, expected) in table {
            assert_eq!(matches(filter, topic), expected, "{filter} {topic}");
        }
    }

    #[test]
    fn no_filter_of_a_subscription_lies_within_another() {
        let filters = [
            "farm/+/state",
            "farm/k1/state",
            "farm/k1/state",
            "barn/#",
            "barn",
            "barn/+/x",
            "a/+/c",
            "+/b/c",
        ];
        assert_eq!(cover(filters.into_iter()), ["+/b/c", "a/+/c", "barn/#", "farm/+/state"]);
    }
}
