//! Many pictures at once: one a processor, their results in the order in which they were given.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Sender, channel};

use super::Failure;

/// Works on all items and hands each result to `take`, in order, as soon as it and all before it are there.
///
/// Each processor of the pool has one item at a time and works on it alone: so many pictures are in memory and no more, and none
/// waits for parts of another. A single item has all processors.
///
/// # Errors
/// The first failure of `take`; what is under way then is finished, and nothing more is begun.
pub(super) fn side_by_side<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(&T) -> R + Sync,
    mut take: impl FnMut(&T, R) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let workers = rayon::current_num_threads().min(items.len());
    if workers < 2 {
        return items.iter().try_for_each(|item| take(item, work(item)));
    }
    let next = AtomicUsize::new(0);
    let worker = |results: Sender<(usize, R)>| {
        // Where no pool can be made the common one does the same, only slower.
        let _alone = rayon::ThreadPoolBuilder::new().num_threads(1).use_current_thread().build();
        loop {
            let i = next.fetch_add(1, Ordering::Relaxed);
            // Nobody listens any more once a result could not be taken.
            let Some(item) = items.get(i) else { break };
            if results.send((i, work(item))).is_err() {
                break;
            }
        }
    };
    std::thread::scope(|scope| {
        let (sender, results) = channel();
        for _ in 0..workers {
            let sender = sender.clone();
            scope.spawn(|| worker(sender));
        }
        drop(sender);
        let mut early = BTreeMap::new();
        let mut taken = 0;
        for (i, result) in results {
            early.insert(i, result);
            while let Some(result) = early.remove(&taken) {
                take(&items[taken], result)?;
                taken += 1;
            }
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Mutex;
    use std::time::Duration;

    fn in_pool<R: Send>(threads: usize, run: impl FnOnce() -> R + Send) -> R {
        rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a pool").install(run)
    }

    #[test]
    fn results_come_in_order_however_long_each_takes() {
        let items: Vec<u64> = (0..20).collect();
        for threads in [1, 2, 3] {
            let taken = Mutex::new(vec![]);
            let slow_first = |n: &u64| {
                std::thread::sleep(Duration::from_millis(if n.is_multiple_of(3) { 6 } else { 1 }));
                (10 * n, rayon::current_num_threads())
            };
            let done = in_pool(threads, || {
                side_by_side(&items, slow_first, |n, (r, _)| {
                    taken.lock().unwrap().push((*n, r));
                    Ok(())
                })
            });
            assert!(done.is_ok());
            assert_eq!(*taken.lock().unwrap(), items.iter().map(|n| (*n, 10 * n)).collect::<Vec<_>>(), "{threads}");
        }
    }

    #[test]
    fn several_items_have_a_processor_each_and_a_single_one_has_all() {
        let threads_of = |items: &[u8]| {
            let seen = Mutex::new(vec![]);
            let done = in_pool(2, || {
                side_by_side(
                    items,
                    |_| rayon::current_num_threads(),
                    |_, n| {
                        seen.lock().unwrap().push(n);
                        Ok(())
                    },
                )
            });
            assert!(done.is_ok());
            seen.into_inner().unwrap()
        };
        assert_eq!(threads_of(&[1, 2, 3, 4, 5]), [1; 5]);
        assert_eq!(threads_of(&[1]), [2]);
        assert!(threads_of(&[]).is_empty());
    }

    #[test]
    fn a_result_that_cannot_be_taken_ends_the_work() {
        let items: Vec<usize> = (0..1000).collect();
        for threads in [1, 2] {
            let begun = AtomicUsize::new(0);
            let work = |n: &usize| {
                begun.fetch_add(1, Ordering::Relaxed);
                std::thread::sleep(Duration::from_millis(1));
                *n
            };
            let take = |_: &usize, n: usize| if n < 3 { Ok(()) } else { Err(Failure::Partly) };
            let done = in_pool(threads, || side_by_side(&items, work, take));
            assert!(matches!(done, Err(Failure::Partly)));
            assert!(begun.load(Ordering::Relaxed) < 500, "{begun:?} of 1000 begun");
        }
    }
}
