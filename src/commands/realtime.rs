//! Real-time priority for the analysis, and memory that stays in memory, where the system permits it.
//!
//! Asked for, never taken: threads of this priority come before everything else on the machine. The
//! threads the analysis starts inherit it. What is not permitted is a warning with its remedy.

/// Priority among real-time threads, 1 to 99: above none that a system needs for itself.
#[cfg(target_os = "linux")]
const PRIORITY: u8 = 10;

/// Raises the calling thread and locks the program's memory; what could not be done, in words.
#[cfg(target_os = "linux")]
pub(super) fn take() -> Vec<String> {
    use rustix::mm::{MlockAllFlags, mlockall};
    use rustix::process::{Resource, getrlimit};
    use thread_priority::{
        RealtimeThreadSchedulePolicy, ThreadPriority, ThreadPriorityValue, ThreadSchedulePolicy,
        set_thread_priority_and_policy, thread_native_id,
    };

    let mut warnings = Vec::new();
    let policy = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::RoundRobin);
    let raised =
        ThreadPriorityValue::try_from(PRIORITY).map_err(|why| why.to_owned()).and_then(|value| {
            let priority = ThreadPriority::Crossplatform(value);
            set_thread_priority_and_policy(thread_native_id(), priority, policy)
                .map_err(|error| format!("{error:?}"))
        });
    if let Err(why) = raised {
        warnings.push(format!(
            "no real-time priority: {why}; permit it with a line \"NAME - rtprio {PRIORITY}\" in /etc/security/limits.conf, or AmbientCapabilities=CAP_SYS_NICE in the service"
        ));
    }
    // Under a limit later memory could not be locked, and could not be had at all.
    let unlimited = getrlimit(Resource::Memlock).current.is_none();
    let ahead = if unlimited {
        MlockAllFlags::CURRENT | MlockAllFlags::FUTURE | MlockAllFlags::ONFAULT
    } else {
        MlockAllFlags::CURRENT
    };
    if let Err(error) = mlockall(ahead) {
        warnings.push(format!(
            "memory is not locked and may be paged out: {error}; permit it with a line \"NAME - memlock unlimited\" in /etc/security/limits.conf, or LimitMEMLOCK=infinity in the service"
        ));
    } else if !unlimited {
        warnings.push(
            "only the memory of now is locked: the limit memlock is not unlimited".to_owned(),
        );
    }
    warnings
}

/// Says that there is no such thing here.
#[cfg(not(target_os = "linux"))]
pub(super) fn take() -> Vec<String> {
    vec!["no real-time priority: it was built and tried on Linux alone".to_owned()]
}
