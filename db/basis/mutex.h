// Locks that the compiler checks: std::mutex and std::condition_variable with the annotations of
// clang's thread-safety analysis. A member that is GUARDED_BY a mutex may be used only while that
// is locked, a function that REQUIRES it may be called only then; clang refuses all else
// (tests/logger/thread_annotations_test.sh), other compilers read over it.
#pragma once

#include <chrono>
#include <condition_variable>
#include <mutex>

#if defined(__clang__)
#define LOADLINE_THREADS(x) __attribute__((x))
#else
#define LOADLINE_THREADS(x)
#endif
#define GUARDED_BY(mutex) LOADLINE_THREADS(guarded_by(mutex))
#define REQUIRES(mutex) LOADLINE_THREADS(requires_capability(mutex))

namespace loadline {

class LOADLINE_THREADS(capability("mutex")) Mutex {
 private:
  friend class Lock;
  std::mutex mutex_;
};

/// What one thread has to itself, without a lock. A member that is GUARDED_BY a role is used only
/// in functions that REQUIRE it; play() says that from here on this thread has the role: where the
/// thread begins, and where it cannot be running.
class LOADLINE_THREADS(capability("role")) ThreadRole {
 public:
  void play() const LOADLINE_THREADS(assert_capability(this)) {}
};

/// Holds a mutex for as long as it lives.
class LOADLINE_THREADS(scoped_lockable) Lock {
 public:
  explicit Lock(Mutex& mutex) LOADLINE_THREADS(acquire_capability(mutex)) : lock_(mutex.mutex_) {}
  ~Lock() LOADLINE_THREADS(release_capability()) {}
  Lock(const Lock&) = delete;
  Lock& operator=(const Lock&) = delete;

 private:
  friend class Condition;
  std::unique_lock<std::mutex> lock_;
};

/// What threads wait for under a lock, which is given up while they wait. A predicate that looks at
/// guarded members says so: `[this]() REQUIRES(mutex_) { return done_; }`.
class Condition {
 public:
  template <typename Predicate>
  void wait(Lock& lock, Predicate until) {
    condition_.wait(lock.lock_, until);
  }
  template <typename Predicate>
  void wait_for(Lock& lock, std::chrono::milliseconds patience, Predicate until) {
    condition_.wait_for(lock.lock_, patience, until);
  }
  void wait_for(Lock& lock, std::chrono::milliseconds patience) {
    condition_.wait_for(lock.lock_, patience);
  }
  void notify_all() { condition_.notify_all(); }

 private:
  std::condition_variable condition_;
};

}  // namespace loadline
