//! Undo and redo over any plain value.

/// Earlier and later states of `T`.
#[derive(Debug, Clone)]
pub struct History<T> {
    earlier: Vec<T>,
    later: Vec<T>,
}

/// How many steps can be taken back.
const DEPTH: usize = 200;

impl<T> Default for History<T> {
    fn default() -> Self {
        Self { earlier: Vec::new(), later: Vec::new() }
    }
}

impl<T: Clone + PartialEq> History<T> {
    /// Remembers `before`, the state an edit is about to leave.
    pub fn remember(&mut self, before: T) {
        if self.earlier.last() != Some(&before) {
            self.earlier.push(before);
            if self.earlier.len() > DEPTH {
                self.earlier.remove(0);
            }
        }
        self.later.clear();
    }

    /// The state before the last edit; `now` can be had again by [`History::redo`].
    pub fn undo(&mut self, now: &T) -> Option<T> {
        let mut before = self.earlier.pop()?;
        // An edit that changed nothing is not worth a key press.
        while before == *now {
            before = self.earlier.pop()?;
        }
        self.later.push(now.clone());
        Some(before)
    }

    /// The state that the last undo left.
    pub fn redo(&mut self, now: &T) -> Option<T> {
        let after = self.later.pop()?;
        self.earlier.push(now.clone());
        Some(after)
    }

    /// True when there is something to take back.
    pub fn can_undo(&self) -> bool {
        !self.earlier.is_empty()
    }

    /// True when there is something to do again.
    pub fn can_redo(&self) -> bool {
        !self.later.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn undo_and_redo_walk_the_same_path() {
        let mut history = History::default();
        let mut now = 1;
        for next in [2, 3] {
            history.remember(now);
            now = next;
        }
        now = history.undo(&now).unwrap();
        now = history.undo(&now).unwrap();
        assert_eq!((now, history.undo(&now)), (1, None));
        now = history.redo(&now).unwrap();
        assert_eq!(now, 2);
        history.remember(now);
        assert!(!history.can_redo(), "a new edit ends the other path");
    }
}
