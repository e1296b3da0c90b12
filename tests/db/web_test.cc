#include "db/basis/web.h"

#include <doctest/doctest.h>
#include <nlohmann/json.hpp>

#include <string>

using namespace loadline;

TEST_CASE("a hostile name reaches the page as text") {
  // The five characters that HTML 5 gives a meaning in text and quoted attributes (WHATWG HTML,
  // section 13.1.2.3 and 13.1.4).
  CHECK(html_escape("<img src=x onerror=\"a('b')\">&") ==
        "&lt;img src=x onerror=&quot;a(&#39;b&#39;)&quot;&gt;&amp;");
  CHECK(html_escape("Zoë №5 🧵") == "Zoë №5 🧵");
  // Bytes that are no UTF-8 (0xFF is none anywhere; RFC 3629, section 1) and control characters.
  CHECK(html_escape("a\xFFz\x1B[2J\n\xC3") == "a\xEF\xBF\xBDz\xEF\xBF\xBD[2J\n\xEF\xBF\xBD");
}

TEST_CASE("a name cannot close the script that carries it") {
  const std::string safe = script_json(R"({"name":"</script><!--"})");
  CHECK(safe == R"({"name":"\u003c/script>\u003c!--"})");
  CHECK(script_json("\"a\xE2\x80\xA8z\"") == "\"a\\u2028z\"");
}

TEST_CASE("the chart library is inside the program, whole") {
  CHECK(kChartJs.size() > 100'000);
  CHECK(kChartJs.find("Chart.js") != std::string_view::npos);
  CHECK(kChartJs.find("</script") == std::string_view::npos);  // it is put into such an element
}
