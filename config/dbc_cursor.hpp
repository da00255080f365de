// Walks through a DBC file, taking what is expected next and complaining, with line and statement, of anything else.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "config/dbc_tokens.hpp"
#include "config/table_reader.hpp"

namespace cw {

inline constexpr std::size_t dbc_name_bytes_max = 255;

// After a complaint nothing more is taken; what is returned then means nothing.
class DbcCursor {
 public:
  // `text` and `complaints` must outlive it.
  DbcCursor(std::string_view text, Complaints& complaints) : tokens_(text), complaints_(complaints) {}

  bool sound() const { return complaints_.empty(); }
  const DbcToken& now() const { return tokens_.now(); }
  const DbcToken& next() const { return tokens_.next(); }
  void advance();

  // The statement that complaints name.
  const std::string& statement() const { return statement_; }
  void enter(std::string_view statement) { statement_ = statement; }

  void complain(std::string_view expected);  // ... of what stands here
  void complain(std::string_view expected, std::string_view found);
  void complain_at(int line, std::string_view expected, std::string_view found);

  bool at(DbcTokenKind kind) const { return sound() && now().kind == kind; }
  bool at_sign(char sign) const { return at(DbcTokenKind::sign) && now().text[0] == sign; }
  bool at_word(std::string_view word) const { return at(DbcTokenKind::word) && now().text == word; }
  bool at_keyword() const;  // a word that the format has for a statement
  bool at_plain_word() const { return at(DbcTokenKind::word) && !at_keyword(); }

  bool take_sign(char wanted);  // if it is here
  bool take_word(std::string_view wanted);
  void sign(char wanted);
  std::string name(std::string_view what);
  double number(std::string_view what);  // finite
  double bound(std::string_view what);   // infinite when it is too great for a double
  std::uint64_t whole(std::string_view what, std::uint64_t min, std::uint64_t max);
  std::string text(std::string_view what);
  void end_of_statement();  // a semicolon

 private:
  DbcTokens tokens_;
  Complaints& complaints_;
  std::string statement_ = "file";
};

}  // namespace cw
