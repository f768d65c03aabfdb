//! What is made of passes, kept between frames.

/// Something with what it was made of: made anew when that changes, and not before.
#[derive(Debug, Clone)]
pub struct Kept<K, T>(Option<(K, T)>);

impl<K, T> Default for Kept<K, T> {
    fn default() -> Self {
        Self(None)
    }
}

impl<K: PartialEq, T> Kept<K, T> {
    /// What there is for these, or else is made.
    pub fn of(&mut self, key: K, make: impl FnOnce() -> T) -> &T {
        let kept = self.0.take().filter(|(of, _)| *of == key);
        &self.0.insert(kept.unwrap_or_else(|| (key, make()))).1
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_is_made_once_for_each_key() {
        let (mut kept, mut num_made) = (Kept::default(), 0);
        for (key, made) in [(1, 1), (1, 1), (2, 2), (1, 3)] {
            let told = *kept.of(key, || {
                num_made += 1;
                key * 10
            });
            assert_eq!((told, num_made), (key * 10, made));
        }
    }
}
