# Writes page_files.cpp: the files of the live page as byte arrays (page_files.hpp). Brings uPlot first, when it is not
# there as package-lock.json wants it. Run by the build: cmake -DPAGE= -DSOURCES= -DNPM= -DOUT= -P embed_page.cmake
set(installed ${PAGE}/node_modules/.package-lock.json)
if(NOT EXISTS ${installed} OR ${PAGE}/package-lock.json IS_NEWER_THAN ${installed})
  execute_process(
    COMMAND ${NPM} ci --prefer-offline --no-audit --no-fund --loglevel=error
    WORKING_DIRECTORY ${PAGE} RESULT_VARIABLE failed OUTPUT_VARIABLE said ERROR_VARIABLE said)
  if(failed)
    message(FATAL_ERROR "npm ci in ${PAGE}, which brings the plots of the live page, has failed:\n${said}")
  endif()
  file(TOUCH ${installed})
endif()

string(REPLACE "," ";" sources "${SOURCES}")
set(types .html "text/html; charset=utf-8" .svg image/svg+xml .css "text/css; charset=utf-8" .js "text/javascript; charset=utf-8")
set(arrays "")
set(rows "")
set(all "")
set(number 0)
foreach(file ${sources} node_modules/uplot/dist/uPlot.esm.js node_modules/uplot/dist/uPlot.min.css)
  get_filename_component(name ${file} NAME)
  get_filename_component(extension ${file} LAST_EXT)
  list(FIND types ${extension} at)
  math(EXPR at "${at} + 1")
  list(GET types ${at} type)
  file(SHA256 ${PAGE}/${file} hash)
  string(SUBSTRING ${hash} 0 16 hash)
  string(APPEND all ${hash})
  file(READ ${PAGE}/${file} hex HEX)
  string(REGEX REPLACE "([0-9a-f][0-9a-f])" "0x\\1," bytes "${hex}")
  string(APPEND arrays "constexpr unsigned char bytes_${number}[] = {${bytes}};\n")
  string(APPEND rows "    {\"/${name}\", \"${type}\", \"\\\"${hash}\\\"\", text(bytes_${number})},\n")
  math(EXPR number "${number} + 1")
endforeach()
string(SHA256 version "${all}")
string(SUBSTRING ${version} 0 16 version)
file(WRITE ${OUT} "// Made by embed_page.cmake.
#include \"serve/page_files.hpp\"

#include <array>
#include <cstddef>

namespace cw {

namespace {

${arrays}
template <std::size_t N>
std::string_view text(const unsigned char (&bytes)[N]) {
  return {reinterpret_cast<const char*>(bytes), N};
}

}  // namespace

std::span<const PageFile> page_files() {
  static const std::array<PageFile, ${number}> files = {{
${rows}  }};
  return files;
}

std::string_view page_version() { return \"${version}\"; }

}  // namespace cw
")
