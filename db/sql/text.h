// Rules for words that enter the book.
#pragma once

#include <string>
#include <string_view>

namespace loadline {

/// Valid UTF-8 without control characters (U+0000–U+001F, U+007F–U+009F), 1–200 bytes, not blanks
/// alone.
/// Error(kInput) that says what is wrong with `what` ("the name of the motor").
void require_name(const std::string& name, const std::string& what);

/// Valid UTF-8 in which line feed and tab are the only control characters, at most 100,000 bytes.
void require_note(const std::string& text, const std::string& what);

/// A day of the calendar since 1800, "2026-03-01".
void require_date(const std::string& date);

/// 36 characters, hexadecimal digits and hyphens, as new_uuid() makes them.
void require_uuid(const std::string& uuid, const std::string& what);

/// `text` itself where it is UTF-8; else taken for Windows-1252, as older programs write it, with
/// '?' for its few characters that are no letters of Western Europe.
std::string as_utf8(std::string_view text);

/// `text` with everything that require_note would refuse replaced by '?': for words that come off
/// the line and must not stop a recording.
std::string made_printable(std::string_view text);

/// The same with line feeds and tabs replaced by blanks: for quoting an altered book in a sentence.
std::string on_one_line(std::string_view text);

/// `name` without difference of capitals and of blanks: equal for "Heron 70" and "heron  70".
std::string folded(const std::string& name);

/// Random version-4 UUID, lower case (RFC 4122 section 4.4).
std::string new_uuid();

/// Now, "2026-11-25T18:03:11Z".
std::string utc_now();

}  // namespace loadline
