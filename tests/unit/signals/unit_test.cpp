#include "signals/unit.hpp"

#include <gtest/gtest.h>

namespace cw {
namespace {

double ours(double value, const char* unit, Quantity quantity) {
  const auto conversion = conversion_to_ours(unit, quantity);
  EXPECT_TRUE(conversion) << unit;
  return conversion ? value * conversion->factor + conversion->add : 0;
}

// Defining points and conversion factors: NIST SP 811 (2008), appendix B.
TEST(Units, are_converted_to_ours) {
  EXPECT_NEAR(ours(212, "degF", Quantity::temperature), 100, 1e-9);
  EXPECT_NEAR(ours(-40, "°F", Quantity::temperature), -40, 1e-9);
  EXPECT_NEAR(ours(273.15, "K", Quantity::temperature), 0, 1e-9);
  EXPECT_NEAR(ours(1, "psi", Quantity::pressure), 6.894757, 1e-6);
  EXPECT_NEAR(ours(1, "bar", Quantity::pressure), 100, 1e-9);
  EXPECT_NEAR(ours(1013.25, "mbar", Quantity::pressure), 101.325, 1e-9);
  EXPECT_NEAR(ours(100, "rad/s", Quantity::speed), 954.929658551372, 1e-9);
  EXPECT_NEAR(ours(50, "Hz", Quantity::speed), 3000, 1e-9);
  EXPECT_NEAR(ours(12500, "mV", Quantity::voltage), 12.5, 1e-9);
  EXPECT_NEAR(ours(180, "deg", Quantity::angle), ours(3.141592653589793, "rad", Quantity::angle), 1e-9);
  EXPECT_NEAR(ours(-20, "cam_deg", Quantity::angle), -40, 1e-9);
  EXPECT_NEAR(ours(1, "flag", Quantity::share), 100, 1e-9);
}

TEST(Units, letter_case_spaces_and_the_degree_sign_do_not_matter) {
  for (const char* spelling : {"rpm", "RPM", "1/min", "U/min", " rpm ", "min-1"}) {
    EXPECT_EQ(ours(7, spelling, Quantity::speed), 7) << spelling;
  }
  for (const char* spelling : {"degC", "deg C", "°C", "° C", "C", "Celsius"}) {
    EXPECT_EQ(ours(7, spelling, Quantity::temperature), 7) << spelling;
  }
}

TEST(Units, of_another_quantity_are_not_known) {
  EXPECT_FALSE(conversion_to_ours("bar", Quantity::temperature));
  EXPECT_FALSE(conversion_to_ours("", Quantity::speed));
  EXPECT_FALSE(conversion_to_ours("furlong", Quantity::speed));
  EXPECT_FALSE(conversion_to_ours("rpm", Quantity::count));
}

TEST(Units, every_quantity_with_a_unit_says_what_is_expected) {
  EXPECT_EQ(units_expected(Quantity::speed), "rpm, 1/min, rad/s or Hz");
  EXPECT_EQ(units_expected(Quantity::temperature), "degC, degF or K");
  EXPECT_EQ(unit_of(Quantity::pressure), "kPa");
  EXPECT_EQ(unit_of(Quantity::state), "");
}

}  // namespace
}  // namespace cw
