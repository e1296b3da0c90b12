#include "fit/report/sections.h"

namespace loadline {

void belts_section(Page&, const Book&, const Subjects&) {}

}  // namespace loadline
