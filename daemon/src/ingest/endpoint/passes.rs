//! Who may speak for which topics.

use rumqttc::mqttbytes::v4::Login;

use crate::config::PassConfig;
use crate::ingest::router::matches;
use crate::sha256;

#[derive(Default)]
pub(super) struct Passes(Vec<Pass>);

struct Pass {
    user: String,
    /// Of the password: compared in constant time, whatever its length.
    digest: [u8; 32],
    topics: Vec<String>,
}

/// What a client may do; by its place in the list, or everything where no passes are configured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Leave {
    All,
    Pass(usize),
}

// === impl Passes ===

impl Passes {
    pub(super) fn new(passes: &[PassConfig]) -> Passes {
        let pass = |pass: &PassConfig| Pass {
            user: pass.user.clone(),
            digest: sha256::digest(pass.password.reveal().as_bytes()),
            topics: pass.topics.clone(),
        };
        Passes(passes.iter().map(pass).collect())
    }

    /// The leave of a login; none if it is wrong or missing.
    pub(super) fn check(&self, login: Option<&Login>) -> Option<Leave> {
        if self.0.is_empty() {
            return Some(Leave::All);
        }
        let login = login?;
        let digest = sha256::digest(login.password.as_bytes());
        let place = self.0.iter().position(|pass| pass.user == login.username)?;
        let difference = self.0.get(place)?.digest.iter().zip(&digest).fold(0, |all, (a, b)| all | (a ^ b));
        (difference == 0).then_some(Leave::Pass(place))
    }

    pub(super) fn may_publish(&self, leave: Leave, topic: &str) -> bool {
        match leave {
            Leave::All => true,
            Leave::Pass(place) => {
                self.0.get(place).is_some_and(|pass| pass.topics.iter().any(|filter| matches(filter, topic)))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Secret;

    #[test]
    fn a_pass_speaks_for_its_topics_alone() {
        let pass = |user: &str, password: &str, topic: &str| PassConfig {
            user: user.to_owned(),
            password: Secret::new(password),
            topics: vec![topic.to_owned()],
        };
        let passes = Passes::new(&[pass("shed", "heron", "shed/+"), pass("gate", "plover", "gate/#")]);
        let check = |user: &str, password: &str| passes.check(Some(&Login::new(user, password)));
        assert_eq!(passes.check(None), None);
        for (user, password) in
            [("shed", "plover"), ("shed", ""), ("", ""), ("barn", "heron"), ("shed", "heron ")]
        {
            assert_eq!(check(user, password), None, "{user} {password}");
        }
        let (shed, gate) = (check("shed", "heron").unwrap(), check("gate", "plover").unwrap());
        for (leave, topic, may) in [
            (shed, "shed/k1", true),
            (shed, "shed/k1/state", false),
            (shed, "gate/k1", false),
            (shed, "$SYS/x", false),
            (gate, "gate/k1/state", true),
            (gate, "shed/k1", false),
        ] {
            assert_eq!(passes.may_publish(leave, topic), may, "{topic}");
        }
        assert_eq!(Passes::default().check(None), Some(Leave::All));
    }
}
