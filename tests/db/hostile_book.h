// Books as somebody who means harm would send them, made from fuzzed bytes.
//
// Input that begins with 'e' is a list of edits to a small book from which every guard of the
// layout (types, CHECK, NOT NULL, UNIQUE, triggers) has been taken away, so that any cell can hold
// anything; all other input is the file itself. Edits reach much deeper than flipped bytes do.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <vector>

#include "db/book.h"

namespace loadline::testing {

/// A folder in memory where there is one, so that no disk slows the fuzzing; removed at exit.
const std::string& fuzz_folder();

/// Writes the book that the bytes stand for, and removes the side files of the one before.
void write_hostile_book(const std::string& path, const std::uint8_t* data, std::size_t size);

/// Writes a sound book with something of everything. Its machine and its imported run are those of
/// the hostile book, all other UUIDs differ; names are the same.
void write_sound_book(const std::string& path);

/// All that the book holds, a line for each row; a later state of a book into which only new things
/// came holds every one of these lines.
std::vector<std::string> rows_as_text(const Book& book);

/// Aborts unless a person can read the sentence: not empty, no control characters.
void require_sentence(const std::string& sentence);

/// Reads everything there is as `check`, `list`, `show` and `export` do; `on_each` gets one look
/// after the other, so that a caller may bear the fault of one.
void read_everything(const Book& book,
                     const std::function<void(const std::function<void()>&)>& on_each);

}  // namespace loadline::testing
