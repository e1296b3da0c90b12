// The text library's own code, compiled once, so that it is in the programs: Debian 12 has it as a
// shared library only, under a name that the next release no longer carries. Its header for users
// of the headers alone holds all of it; what that leaves to be instantiated by name follows.
#include <fmt/format-inl.h>

FMT_BEGIN_NAMESPACE
namespace detail {
template dragonbox::decimal_fp<float> dragonbox::to_decimal(float x) noexcept;
template dragonbox::decimal_fp<double> dragonbox::to_decimal(double x) noexcept;
template locale_ref::locale_ref(const std::locale& locale);
template std::locale locale_ref::get<std::locale>() const;
template thousands_sep_result<char> thousands_sep_impl<char>(locale_ref locale);
template char decimal_point_impl<char>(locale_ref locale);
}  // namespace detail
FMT_END_NAMESPACE
