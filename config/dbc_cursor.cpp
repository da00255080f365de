#include "config/dbc_cursor.hpp"

#include <algorithm>
#include <array>
#include <limits>
#include <optional>

namespace cw {

namespace {

constexpr std::array<std::string_view, 32> keywords = {"VERSION",
                                                       "NS_",
                                                       "BS_",
                                                       "BU_",
                                                       "BO_",
                                                       "SG_",
                                                       "VAL_TABLE_",
                                                       "BO_TX_BU_",
                                                       "EV_",
                                                       "ENVVAR_DATA_",
                                                       "EV_DATA_",
                                                       "SGTYPE_",
                                                       "CM_",
                                                       "BA_DEF_",
                                                       "BA_DEF_DEF_",
                                                       "BA_",
                                                       "VAL_",
                                                       "CAT_DEF_",
                                                       "CAT_",
                                                       "SGTYPE_VAL_",
                                                       "BA_DEF_SGTYPE_",
                                                       "BA_SGTYPE_",
                                                       "SIG_TYPE_REF_",
                                                       "SIG_GROUP_",
                                                       "SIG_VALTYPE_",
                                                       "SIGTYPE_VALTYPE_",
                                                       "BA_DEF_REL_",
                                                       "BA_DEF_DEF_REL_",
                                                       "BA_REL_",
                                                       "BU_SG_REL_",
                                                       "BU_EV_REL_",
                                                       "SG_MUL_VAL_"};

// What an error says about a token.
std::string found_token(const DbcToken& token) {
  switch (token.kind) {
    case DbcTokenKind::end:
      return "the end of the file";
    case DbcTokenKind::text:
      return "the text \"" + printable(token.text) + '"';
    case DbcTokenKind::bad:
      return token.text.size() == 1 ? "the byte '" + printable(token.text) + "'" : "a text without a closing quote";
    default:
      return '"' + printable(token.text) + '"';
  }
}

}  // namespace

void DbcCursor::advance() {
  if (sound()) {
    tokens_.advance();
  }
}

void DbcCursor::complain_at(int line, std::string_view expected, std::string_view found) {
  complaints_.add(line, statement_, expected, found);
}

void DbcCursor::complain(std::string_view expected, std::string_view found) {
  complain_at(now().line, expected, found);
}

void DbcCursor::complain(std::string_view expected) {
  complain(expected, found_token(now()));
}

bool DbcCursor::at_keyword() const {
  return at(DbcTokenKind::word) && std::ranges::find(keywords, now().text) != keywords.end();
}

bool DbcCursor::take_sign(char wanted) {
  const bool here = at_sign(wanted);
  if (here) {
    advance();
  }
  return here;
}

bool DbcCursor::take_word(std::string_view wanted) {
  const bool here = at_word(wanted);
  if (here) {
    advance();
  }
  return here;
}

void DbcCursor::sign(char wanted) {
  if (!take_sign(wanted)) {
    complain(std::string("\"") + wanted + '"');
  }
}

std::string DbcCursor::name(std::string_view what) {
  if (!at(DbcTokenKind::word) || now().text.size() > dbc_name_bytes_max) {
    complain(what);
    return {};
  }
  std::string found(now().text);
  advance();
  return found;
}

double DbcCursor::number(std::string_view what) {
  const auto value = at(DbcTokenKind::number) ? dbc_number(now().text) : std::nullopt;
  if (!value) {
    complain(what);
    return 0;
  }
  advance();
  return *value;
}

double DbcCursor::bound(std::string_view what) {
  const std::string_view text = at(DbcTokenKind::number) ? now().text : std::string_view();
  if (text.empty() || dbc_number(text)) {
    return number(what);
  }
  advance();
  if (text.find("e-") != std::string_view::npos || text.find("E-") != std::string_view::npos) {
    return 0;  // too small for a double
  }
  const double infinite = std::numeric_limits<double>::infinity();
  return text.starts_with('-') ? -infinite : infinite;
}

std::uint64_t DbcCursor::whole(std::string_view what, std::uint64_t min, std::uint64_t max) {
  const bool not_negative = at(DbcTokenKind::number) && !now().text.starts_with('-');
  const auto value = not_negative ? dbc_whole(now().text) : std::nullopt;
  if (!value || *value < min || *value > max) {
    complain(std::string(what) + ", a whole number from " + std::to_string(min) + " to " + std::to_string(max));
    return min;
  }
  advance();
  return *value;
}

std::string DbcCursor::text(std::string_view what) {
  if (!at(DbcTokenKind::text)) {
    complain(std::string(what) + " in double quotes");
    return {};
  }
  std::string found = dbc_text(now().text);
  advance();
  return found;
}

void DbcCursor::end_of_statement() {
  if (!take_sign(';')) {
    complain("; at the end of the statement");
  }
}

}  // namespace cw
