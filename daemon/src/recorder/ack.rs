//! Acknowledgements of messages. A commit ends hundreds of them at once, so whoever wants to be told is told once for a
//! commit, not once for a message.

use std::fmt;
use std::sync::Arc;

/// Where messages came in.
pub trait Settle: Send + Sync {
    /// Messages by the numbers that they were given, in the order of the commit. They are on the card (`true`), or they
    /// could not be kept: do not acknowledge; the sender repeats.
    fn settle(&self, numbers: &[u64], is_kept: bool);
}

/// What is owed to the sender of a message; used up once. Dropped, it says nothing.
#[derive(Default)]
pub enum Ack {
    /// The sender waits for nothing.
    #[default]
    Nothing,
    Number(Arc<dyn Settle>, u64),
    Call(Box<dyn FnOnce(bool) + Send>),
}

// === impl Ack ===

impl Ack {
    pub fn call(told: impl FnOnce(bool) + Send + 'static) -> Ack {
        Ack::Call(Box::new(told))
    }

    /// The readings of a message are on the card (`true`), or they could not be kept.
    pub fn settle(self, is_kept: bool) {
        match self {
            Ack::Nothing => {}
            Ack::Number(from, number) => from.settle(&[number], is_kept),
            Ack::Call(told) => told(is_kept),
        }
    }

    /// The same for all messages of a commit, in their order.
    pub fn settle_all(acks: impl IntoIterator<Item = Ack>, is_kept: bool) {
        let mut together: Option<Arc<dyn Settle>> = None;
        let mut numbers = Vec::new();
        for ack in acks {
            let next = match ack {
                Ack::Number(from, number)
                    if together.as_ref().is_some_and(|last| Arc::ptr_eq(last, &from)) =>
                {
                    numbers.push(number);
                    continue;
                }
                next => next,
            };
            if let Some(from) = together.take() {
                from.settle(&numbers, is_kept);
                numbers.clear();
            }
            match next {
                Ack::Number(from, number) => {
                    numbers.push(number);
                    together = Some(from);
                }
                other => other.settle(is_kept),
            }
        }
        if let Some(from) = together {
            from.settle(&numbers, is_kept);
        }
    }
}

impl fmt::Debug for Ack {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Ack")
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Mutex;

    use super::*;

    struct Door(char, Arc<Mutex<Vec<String>>>);

    impl Settle for Door {
        fn settle(&self, numbers: &[u64], is_kept: bool) {
            self.1.lock().unwrap().push(format!("{}{numbers:?}{is_kept}", self.0));
        }
    }

    #[test]
    fn a_commit_tells_each_way_in_once_and_keeps_the_order() {
        let told = Arc::<Mutex<Vec<String>>>::default();
        let door = |name| Arc::new(Door(name, Arc::clone(&told))) as Arc<dyn Settle>;
        let (a, b) = (door('a'), door('b'));
        let number = |door: &Arc<dyn Settle>, number| Ack::Number(Arc::clone(door), number);
        let other = Arc::clone(&told);
        let call = Ack::call(move |is_kept| other.lock().unwrap().push(format!("call {is_kept}")));
        let acks =
            [number(&a, 3), number(&a, 1), Ack::Nothing, number(&a, 2), call, number(&b, 7), number(&a, 4)];
        Ack::settle_all(acks, true);
        Ack::settle_all([number(&b, 8), number(&b, 9)], false);
        let expected = ["a[3, 1]true", "a[2]true", "call true", "b[7]true", "a[4]true", "b[8, 9]false"];
        assert_eq!(*told.lock().unwrap(), expected);
    }
}
