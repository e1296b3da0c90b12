// Writes random benches as files: bench_maker FAMILY N SEED FOLDER [--only INSTRUMENT].
// README.md in this folder says what is in them.
#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "bench.h"

namespace {

constexpr const char* kUsage =
    "bench_maker coast|brake|spin-up|steady N SEED FOLDER [--only INSTRUMENT]\n"
    "writes N random benches into FOLDER: i-0.csv, i-1.csv … and i.json with the truth.\n";

void write(const std::filesystem::path& path, const std::string& text) {
  std::ofstream file(path, std::ios::binary);
  file << text;
  file.close();
  if (!file) throw std::runtime_error("cannot write " + path.string());
}

void make(const std::string& family, int n, std::uint64_t seed, const std::string& folder,
          const std::vector<std::string>& kinds) {
  std::filesystem::create_directories(folder);
  for (int i = 0; i < n; ++i) {
    const std::string& kind = kinds[static_cast<std::size_t>(i) % kinds.size()];
    const benches::Bench bench = benches::make_bench(family, kind, seed, i);
    const std::string stem = folder + '/' + std::to_string(i);
    for (std::size_t r = 0; r < bench.tables.size(); ++r)
      write(stem + '-' + std::to_string(r) + ".csv", bench.tables[r]);
    write(stem + ".json", bench.json());
  }
}

bool has(const std::vector<std::string>& list, const std::string& word) {
  return std::find(list.begin(), list.end(), word) != list.end();
}

int usage(const std::string& wrong) {
  std::fprintf(stderr, "%s\n%s", wrong.c_str(), kUsage);
  return 2;
}

}  // namespace

int main(int argc, char** argv) {
  const std::vector<std::string> words(argv + 1, argv + argc);
  if (words.size() != 4 && !(words.size() == 6 && words[4] == "--only"))
    return usage("Four words are wanted.");
  const std::string& family = words[0];
  if (!has(benches::families(), family)) return usage("No family is called " + family + ".");
  std::vector<std::string> kinds = benches::kinds_of(family);
  if (words.size() == 6) {
    if (!has(kinds, words[5])) {
      std::string names;
      for (const std::string& kind : kinds) names += ' ' + kind;
      return usage("Instruments of " + family + ':' + names + '.');
    }
    kinds = {words[5]};
  }
  const int n = std::atoi(words[1].c_str());
  if (n <= 0) return usage("N is a number from 1 on.");
  try {
    make(family, n, std::strtoull(words[2].c_str(), nullptr, 10), words[3], kinds);
  } catch (const std::exception& e) {
    std::fprintf(stderr, "bench_maker: %s\n", e.what());
    return 1;
  }
  return 0;
}
