// The report of a book: one HTML page, and its tables and plots as files of their own.
#pragma once

#include <filesystem>
#include <functional>
#include <string>
#include <vector>

#include "db/book.h"
#include "fit/report/pages/page.h"

namespace loadline {

struct ReportRequest {
  std::string title;                ///< empty: made from the book's file name
  std::vector<std::string> motors;  ///< both empty: all subjects of the book
  std::vector<std::string> machines;
  Language language;
};

/// Reads the book and lays out the page. `progress` is told how much of the work is done, out of 1.
/// Error(kInput) for a name that the book does not hold, and for a book without any subject.
Page make_report(const Book& book, const ReportRequest& request,
                 const std::function<void(double)>& progress);

/// Writes each table (`.csv`) or plot (`.svg`) under its id into `folder`, made when missing.
/// Returns how many. Error(kInput) naming the file that could not be written.
std::size_t write_tables(const Page& page, const std::filesystem::path& folder);
std::size_t write_plots(const Page& page, const std::filesystem::path& folder);

}  // namespace loadline
