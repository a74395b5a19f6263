//! Loops in wider vector instructions than every processor has, up to AVX2.
//!
//! A build serves every processor of its kind; which instructions it may use is found out when it
//! runs. The order of every sum is fixed by the code (lanes), so that the same numbers come out.

/// Runs `work` with the widest of them that this processor has; it must be inlined to profit.
#[inline(always)]
#[allow(clippy::inline_always, reason = "what is not inlined is compiled for the oldest processor")]
pub(crate) fn widest<R>(work: impl FnOnce() -> R) -> R {
    pulp::Arch::new().dispatch(work)
}
