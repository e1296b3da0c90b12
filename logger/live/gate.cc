#include "logger/live/gate.h"

#include <arpa/inet.h>
#include <fmt/format.h>
#include <sys/random.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cstdint>

namespace loadline {
namespace {

// Without letters and digits that are mistaken for each other.
constexpr char kAlphabet[] = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ";

/// `length` letters from the operating system's random source: 5 bits each.
std::string random_word(std::size_t length) {
  std::string word(length, '?');
  std::string bytes(length, '\0');
  if (getrandom(bytes.data(), length, 0) != static_cast<ssize_t>(length)) return {};
  for (std::size_t i = 0; i < length; ++i)
    word[i] = kAlphabet[static_cast<unsigned char>(bytes[i]) % 32];
  return word;
}

/// Takes as long for a nearly right word as for a wrong one.
bool same_word(const std::string& a, const std::string& b) {
  if (a.empty() || a.size() != b.size()) return false;
  unsigned difference = 0;
  for (std::size_t i = 0; i < a.size(); ++i)
    difference |= static_cast<unsigned char>(a[i]) ^ static_cast<unsigned char>(b[i]);
  return difference == 0;
}

bool is_number_of_a_host(const std::string& name) {
  if (name.empty()) return false;
  in6_addr number = {};
  if (name.front() != '[') return ::inet_pton(AF_INET, name.c_str(), &number) == 1;
  return name.back() == ']' &&
         ::inet_pton(AF_INET6, name.substr(1, name.size() - 2).c_str(), &number) == 1;
}

}  // namespace

Gate::Gate(bool needs_code, int port, std::function<void(const std::string&)> tell_code)
    : needs_code_(needs_code), port_(port), tell_code_(std::move(tell_code)) {
  std::array<char, 256> name = {};
  if (gethostname(name.data(), name.size() - 1) == 0) own_name_ = name.data();
  if (needs_code_) new_code();
}

void Gate::new_code() {
  code_ = random_word(8);
  tell_code_(code_);
}

bool Gate::host_is_ours(const std::string& host) const {
  const std::string port = fmt::format(":{}", port_);
  if (!host.ends_with(port)) return false;
  const std::string name = host.substr(0, host.size() - port.size());
  if (!needs_code_) return name == "127.0.0.1" || name == "localhost" || name == "[::1]";
  return is_number_of_a_host(name) || name == "localhost" ||
         (!own_name_.empty() && (name == own_name_ || name == own_name_ + ".local"));
}

bool Gate::origin_fits(const std::string& origin, const std::string& host) {
  return origin == "http://" + host;
}

bool Gate::token_opens(const std::string& token) const {
  if (!needs_code_) return true;
  const Lock lock(mutex_);
  return std::any_of(tokens_.begin(), tokens_.end(),
                     [&](const std::string& known) { return same_word(known, token); });
}

std::string Gate::exchange(const std::string& code) {
  const Lock lock(mutex_);
  if (!same_word(code, code_)) return {};
  std::string token = random_word(32);
  tokens_.insert(token);
  new_code();
  return token;
}

}  // namespace loadline
