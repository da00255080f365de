# Explaining an engine file; on its own so that tests reach it without the rest of the program.
cw_library(check SOURCES check.cpp check_drawing.cpp check_ecu.cpp check_map.cpp check_page.cpp check_words.cpp field_drawing.cpp
  line_load.cpp LINKS cw_config cw_geometry cw_signals)
