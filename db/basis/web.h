// What the pages share: the report of the fits and the live page of the logger.
#pragma once

#include <string>
#include <string_view>

namespace loadline {

/// Chart.js, minified, as packaged by Debian (libjs-chart.js; MIT licence). For a <script> element.
extern const std::string_view kChartJs;

/// `text` made safe for HTML text and for quoted attribute values: & < > " ' become entities.
std::string html_escape(std::string_view text);

/// `json` made safe inside a <script> element: '<' becomes \u003c (and U+2028/U+2029 likewise), so
/// that no name can close the element.
std::string script_json(std::string_view json);

}  // namespace loadline
