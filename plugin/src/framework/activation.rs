//! What an entry point wants to hear while it activates an instance: the delay, before the framework does.

use std::cell::RefCell;

type Listener = Box<dyn Fn(u32)>;

thread_local! {
    static LISTENER: RefCell<Option<Listener>> = const { RefCell::new(None) };
}

/// Calls `activate`, and meanwhile hands the delay of an instance that is activated on this thread to `listener`.
pub fn heard_by<T>(listener: impl Fn(u32) + 'static, activate: impl FnOnce() -> T) -> T {
    LISTENER.set(Some(Box::new(listener)));
    let outcome = activate();
    LISTENER.set(None);
    outcome
}

/// Tells the delay that an instance is being activated with, samples.
pub fn tell(delay: u32) {
    LISTENER.with_borrow(|listener| {
        if let Some(listener) = listener {
            listener(delay);
        }
    });
}
