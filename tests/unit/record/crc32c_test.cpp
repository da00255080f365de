#include "record/crc32c.hpp"

#include <gtest/gtest.h>

#include <numeric>
#include <string_view>
#include <vector>

namespace cw {
namespace {

std::vector<std::byte> repeated(int value) {
  return std::vector<std::byte>(32, static_cast<std::byte>(value));
}

std::vector<std::byte> counting(int from, int step) {
  std::vector<std::byte> bytes(32);
  for (int i = 0; i < 32; ++i) {
    bytes[static_cast<std::size_t>(i)] = static_cast<std::byte>(from + step * i);
  }
  return bytes;
}

// RFC 3720, appendix B.4 (there given in network byte order).
TEST(Crc32c, gives_the_values_of_rfc_3720) {
  EXPECT_EQ(crc32c(repeated(0x00)), 0x8A9136AAU);
  EXPECT_EQ(crc32c(repeated(0xFF)), 0x62A8AB43U);
  EXPECT_EQ(crc32c(counting(0x00, 1)), 0x46DD794EU);
  EXPECT_EQ(crc32c(counting(0x1F, -1)), 0x113FDB5CU);
}

// The check value that catalogues of parametrised CRC algorithms give for CRC-32C.
TEST(Crc32c, gives_the_catalogue_check_value) {
  constexpr std::string_view text = "123456789";
  EXPECT_EQ(crc32c(std::as_bytes(std::span(text))), 0xE3069283U);
}

TEST(Crc32c, of_two_pieces_is_that_of_the_whole) {
  const auto bytes = counting(0, 7);
  const auto whole = std::span<const std::byte>(bytes);
  for (std::size_t cut = 0; cut <= bytes.size(); ++cut) {
    EXPECT_EQ(crc32c(whole.first(cut), whole.subspan(cut)), crc32c(whole));
  }
}

}  // namespace
}  // namespace cw
