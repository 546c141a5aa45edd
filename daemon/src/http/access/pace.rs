//! How often one address may ask, and how often it may be wrong about a pass.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, PoisonError};

use heapward_rules::units::Span;

use crate::limits::{
    HTTP_ADDRESSES_MAX, HTTP_REQUESTS_BURST, HTTP_REQUESTS_PER_SECOND, HTTP_WRONG_PASSES_PER_MINUTE,
};

/// The pace of every address that was seen lately. Instants are monotonic.
#[derive(Default)]
pub(in crate::http) struct Pace {
    addresses: Mutex<BTreeMap<IpAddr, Address>>,
}

struct Address {
    seen: Span,
    /// Requests that may come now, in thousandths: one millisecond earns [`HTTP_REQUESTS_PER_SECOND`] of them.
    allowance: i64,
    wrong: Vec<Span>,
}

const MINUTE: Span = Span::minutes(1);
const REQUEST: i64 = 1_000;

// === impl Pace ===

impl Pace {
    /// Counts a request. `Some(seconds)`: too many, come again then. The machine itself has no pace: its scripts are
    /// bounded by the number of connections, and whoever runs there has the store anyway.
    pub(in crate::http) fn request(&self, from: IpAddr, now: Span) -> Option<u64> {
        if from.to_canonical().is_loopback() {
            return None;
        }
        self.with(from, now, |address| {
            let early = address.allowance < REQUEST;
            address.allowance -= if early { 0 } else { REQUEST };
            early.then_some(1)
        })
    }

    /// Whether an address may present a pass. `Some(seconds)`: it was wrong too often, come again then.
    pub(in crate::http) fn may_try(&self, from: IpAddr, now: Span) -> Option<u64> {
        self.with(from, now, |address| {
            address.wrong.retain(|at| now - *at < MINUTE);
            let full = address.wrong.len() >= HTTP_WRONG_PASSES_PER_MINUTE as usize;
            let oldest = address.wrong.first().filter(|_| full)?;
            u64::try_from((*oldest + MINUTE - now).0 / 1_000 + 1).ok()
        })
    }

    pub(in crate::http) fn was_wrong(&self, from: IpAddr, now: Span) {
        self.with(from, now, |address| address.wrong.push(now));
    }

    fn with<T>(&self, from: IpAddr, now: Span, act: impl FnOnce(&mut Address) -> T) -> T {
        let mut addresses = self.addresses.lock().unwrap_or_else(PoisonError::into_inner);
        let key = network_of(from);
        if addresses.len() >= HTTP_ADDRESSES_MAX && !addresses.contains_key(&key) {
            let longest = addresses.iter().min_by_key(|(_, address)| address.seen).map(|(key, _)| *key);
            longest.map(|key| addresses.remove(&key));
        }
        let full = i64::from(HTTP_REQUESTS_BURST) * REQUEST;
        let address =
            addresses.entry(key).or_insert(Address { seen: now, allowance: full, wrong: Vec::new() });
        let earned = (now - address.seen).0.max(0).saturating_mul(i64::from(HTTP_REQUESTS_PER_SECOND));
        address.allowance = address.allowance.saturating_add(earned).min(full);
        address.seen = now;
        act(address)
    }
}

/// One network is one client: whoever has an IPv6 network has 2^64 addresses in it.
fn network_of(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(v6) => {
            let [a, b, c, d, ..] = v6.segments();
            IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
        }
        v4 @ IpAddr::V4(_) => v4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PHONE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 168, 7, 30));

    #[test]
    fn a_burst_then_a_steady_pace() {
        let pace = Pace::default();
        let taken = (0..500).filter(|_| pace.request(PHONE, Span::ZERO).is_none()).count();
        assert_eq!(taken, HTTP_REQUESTS_BURST as usize);
        let taken = (0..500).filter(|_| pace.request(PHONE, Span::seconds(2)).is_none()).count();
        assert_eq!(taken, 2 * HTTP_REQUESTS_PER_SECOND as usize);
    }

    #[test]
    fn five_wrong_passes_a_minute() {
        let pace = Pace::default();
        for n in 0..5 {
            assert_eq!(pace.may_try(PHONE, Span::seconds(n)), None);
            pace.was_wrong(PHONE, Span::seconds(n));
        }
        assert_eq!(pace.may_try(PHONE, Span::seconds(10)), Some(51));
        assert_eq!(pace.may_try(IpAddr::from([192, 168, 7, 31]), Span::seconds(10)), None);
        assert_eq!(pace.may_try(PHONE, Span::seconds(60)), None);
    }

    #[test]
    fn the_memory_is_bounded() {
        let pace = Pace::default();
        for n in 0..5_000_u32 {
            pace.request(IpAddr::from(n.to_be_bytes()), Span(i64::from(n)));
        }
        assert_eq!(pace.addresses.lock().unwrap().len(), HTTP_ADDRESSES_MAX);
    }
}
