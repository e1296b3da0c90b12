// Work shared out among the processors.
#pragma once

#include <algorithm>
#include <cstddef>
#include <exception>
#include <thread>
#include <vector>

namespace loadline {

/// How many processors to use: all, but no more than eight.
inline std::size_t workers_here() {
  return std::clamp<std::size_t>(std::thread::hardware_concurrency(), 1, 8);
}

/// Calls work(k, worker) for k = 0 … count − 1, each once, `worker` < workers_here() numbering the
/// threads. What any of them throws is thrown here, after all have ended.
template <class Work>
void on_all_processors(std::size_t count, Work work) {
  const std::size_t workers = workers_here();
  std::vector<std::thread> threads;
  std::vector<std::exception_ptr> faults(workers);
  for (std::size_t worker = 0; worker < workers; ++worker)
    threads.emplace_back([&, worker] {
      try {
        for (std::size_t k = worker; k < count; k += workers) work(k, worker);
      } catch (...) {
        faults[worker] = std::current_exception();
      }
    });
  for (std::thread& thread : threads) thread.join();
  for (const std::exception_ptr& fault : faults)
    if (fault) std::rethrow_exception(fault);
}

}  // namespace loadline
