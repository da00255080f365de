// Text from outside can't become markup. The characters that matter: HTML Living Standard, 13.3 "Serializing HTML
// fragments" (& < > and quotes in attributes); XML 1.0, 2.4. UTF-8: RFC 3629 and its table of sound sequences.
#include "report/html.hpp"

#include <gtest/gtest.h>

namespace cw {
namespace {

const std::string replacement = "\xEF\xBF\xBD";

TEST(Html, what_could_be_markup_is_not) {
  EXPECT_EQ(escaped("<script>alert('x')</script>"), "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt;");
  EXPECT_EQ(escaped("\" onload=\"x"), "&quot; onload=&quot;x");
  EXPECT_EQ(escaped("a & b &amp; c"), "a &amp; b &amp;amp; c");
  EXPECT_EQ(escaped("]]> --> <!-- </title>"), "]]&gt; --&gt; &lt;!-- &lt;/title&gt;");
}

TEST(Html, control_characters_are_shown_and_line_feeds_stay) {
  EXPECT_EQ(escaped(std::string("a\0b\x1b[2J\r\n\t", 10)), "a\\x00b\\x1b[2J\\x0d\n\t");
  EXPECT_EQ(escaped("\x7f"), "\\x7f");
  EXPECT_EQ(escaped("\xc2\x9b"), "\\xc2\\x9b");  // U+009B, which some terminals obey
}

TEST(Html, sound_utf_8_stays_and_what_is_none_is_replaced) {
  const std::string sound = "Zündung \xE2\x89\xA5 5\xC2\xB0 \xF0\x9F\x94\xA7";
  EXPECT_EQ(escaped(sound), sound);
  EXPECT_EQ(escaped("\xC0\xBCscript\xC0\xBE"),
            replacement + replacement + "script" + replacement + replacement);  // overlong <
  EXPECT_EQ(escaped("\xED\xA0\x80"), replacement + replacement + replacement);  // a surrogate
  EXPECT_EQ(escaped("\xF4\x90\x80\x80").size(), 4 * replacement.size());        // above U+10FFFF
  EXPECT_EQ(escaped("a\xE2\x89"), "a" + replacement + replacement);             // cut short
  EXPECT_EQ(escaped("\xE2<"), replacement + "&lt;");  // a lead byte must not swallow what follows it
}

TEST(Html, coordinates_have_one_decimal_at_most_and_are_always_numbers) {
  EXPECT_EQ(coordinate(12.0), "12");
  EXPECT_EQ(coordinate(100.04), "100");
  EXPECT_EQ(coordinate(-0.04), "0");
  EXPECT_EQ(coordinate(-3.26), "-3.3");
  EXPECT_EQ(coordinate(0.0 / 0.0), "0");
  EXPECT_EQ(coordinate(1.0 / 0.0), "0");
}

}  // namespace
}  // namespace cw
