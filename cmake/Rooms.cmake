# How a room is built: one set of warnings, one set of sanitizers, and the rule who may see whom.
set(CMAKE_C_STANDARD 11)
set(CMAKE_C_STANDARD_REQUIRED ON)
set(CMAKE_C_EXTENSIONS ON)
set(CMAKE_EXPORT_COMPILE_COMMANDS ON)
set(CMAKE_RUNTIME_OUTPUT_DIRECTORY ${CMAKE_BINARY_DIR}/bin)
if(NOT CMAKE_BUILD_TYPE)
  set(CMAKE_BUILD_TYPE RelWithDebInfo)
endif()

# Assertions are for our own mistakes and stay on in every build.
string(REPLACE "-DNDEBUG" "" CMAKE_C_FLAGS_RELWITHDEBINFO "${CMAKE_C_FLAGS_RELWITHDEBINFO}")
string(REPLACE "-DNDEBUG" "" CMAKE_C_FLAGS_RELEASE "${CMAKE_C_FLAGS_RELEASE}")

set(EDGEROW_SANITIZE "" CACHE STRING "Sanitizers, for instance address,undefined")
option(EDGEROW_FUZZ "Build the libFuzzer targets (clang)" OFF)
option(EDGEROW_COVERAGE "Count line and branch coverage" OFF)

add_library(edgerow_flags INTERFACE)
target_compile_definitions(edgerow_flags INTERFACE _GNU_SOURCE EDGEROW_VERSION="${PROJECT_VERSION}")
target_compile_options(edgerow_flags INTERFACE
  -Wall -Wextra -Wpedantic -Wconversion -Wshadow -Wmissing-prototypes -Wstrict-prototypes
  -Wundef -Wvla -Werror -fstack-protector-strong
  # Whole numbers are named by enumerations here, and are reckoned with.
  $<$<C_COMPILER_ID:Clang>:-Wno-enum-float-conversion>)
if(EDGEROW_SANITIZE)
  target_compile_options(edgerow_flags INTERFACE -fsanitize=${EDGEROW_SANITIZE}
    -fno-sanitize-recover=all -fno-omit-frame-pointer
    # gcc's flow warnings misfire on instrumented code; the release build has them on.
    $<$<C_COMPILER_ID:GNU>:-Wno-format-truncation> $<$<C_COMPILER_ID:GNU>:-Wno-maybe-uninitialized>)
  target_link_options(edgerow_flags INTERFACE -fsanitize=${EDGEROW_SANITIZE})
endif()
if(EDGEROW_FUZZ)
  # Telling of every comparison of numbers takes two thirds of the time and guides nothing here: edges do, and libFuzzer
  # still sees the strings that are compared.
  target_compile_options(edgerow_flags INTERFACE -fsanitize=fuzzer-no-link -fno-sanitize-coverage=trace-cmp)
  target_link_options(edgerow_flags INTERFACE -fsanitize=fuzzer-no-link)
endif()
if(EDGEROW_COVERAGE)
  target_compile_options(edgerow_flags INTERFACE --coverage -O0)
  target_link_options(edgerow_flags INTERFACE --coverage)
endif()

# Check's macros are not written for these two.
add_library(edgerow_test_flags INTERFACE)
target_link_libraries(edgerow_test_flags INTERFACE edgerow_flags)
target_compile_options(edgerow_test_flags INTERFACE -Wno-pedantic -Wno-conversion)

# edgerow_room(name SOURCES a.c b.c USES other_room part ...)
# A static library named room_<name>; headers are included by their path from the top,
# for instance #include "protocol/air/frame.h".
function(edgerow_room name)
  cmake_parse_arguments(ROOM "" "" "SOURCES;USES" ${ARGN})
  add_library(room_${name} STATIC ${ROOM_SOURCES})
  target_include_directories(room_${name} PUBLIC ${CMAKE_SOURCE_DIR})
  target_link_libraries(room_${name} PUBLIC ${ROOM_USES} PRIVATE edgerow_flags)
endfunction()

# edgerow_test(name SOURCES test.c USES room ...): a Check program, run by CTest.
function(edgerow_test name)
  cmake_parse_arguments(T "" "TIMEOUT" "SOURCES;USES;LABELS" ${ARGN})
  add_executable(test_${name} ${T_SOURCES})
  target_include_directories(test_${name} PRIVATE ${CMAKE_SOURCE_DIR})
  target_link_libraries(test_${name} PRIVATE ${T_USES} edgerow_suite edgerow_flags edgerow_test_flags)
  set_target_properties(test_${name} PROPERTIES RUNTIME_OUTPUT_DIRECTORY ${CMAKE_BINARY_DIR}/tests)
  add_test(NAME ${name} COMMAND test_${name})
  if(NOT T_TIMEOUT)
    set(T_TIMEOUT 120)
  endif()
  set_tests_properties(${name} PROPERTIES TIMEOUT ${T_TIMEOUT}
    ENVIRONMENT "CK_VERBOSITY=normal;EDGEROW_SOURCE=${CMAKE_SOURCE_DIR};EDGEROW_BUILD=${CMAKE_BINARY_DIR}")
  if(T_LABELS)
    set_tests_properties(${name} PROPERTIES LABELS "${T_LABELS}")
  endif()
endfunction()

# edgerow_node_test(name SCRIPT test.js ARGS ...): a script for Node that may require the packages of
# tests/npm (tests/npm/install.sh installs them).
function(edgerow_node_test name)
  cmake_parse_arguments(N "" "SCRIPT;TIMEOUT" "ARGS;LABELS" ${ARGN})
  add_test(NAME ${name} COMMAND node ${CMAKE_CURRENT_SOURCE_DIR}/${N_SCRIPT} ${N_ARGS})
  if(NOT N_TIMEOUT)
    set(N_TIMEOUT 120)
  endif()
  set_tests_properties(${name} PROPERTIES TIMEOUT ${N_TIMEOUT} ENVIRONMENT
    "NODE_PATH=${CMAKE_SOURCE_DIR}/tests/npm/node_modules;EDGEROW_SOURCE=${CMAKE_SOURCE_DIR};EDGEROW_BUILD=${CMAKE_BINARY_DIR}")
  if(N_LABELS)
    set_tests_properties(${name} PROPERTIES LABELS "${N_LABELS}")
  endif()
endfunction()

# edgerow_fuzzer(name SOURCES fuzz.c USES room ...): a libFuzzer target, seeds in tests/fuzz/seeds/<name>.
function(edgerow_fuzzer name)
  if(NOT EDGEROW_FUZZ)
    return()
  endif()
  cmake_parse_arguments(F "" "" "SOURCES;USES" ${ARGN})
  add_executable(fuzz_${name} ${F_SOURCES})
  target_include_directories(fuzz_${name} PRIVATE ${CMAKE_SOURCE_DIR})
  target_link_libraries(fuzz_${name} PRIVATE ${F_USES} edgerow_flags)
  target_link_options(fuzz_${name} PRIVATE -fsanitize=fuzzer)
  set_target_properties(fuzz_${name} PROPERTIES RUNTIME_OUTPUT_DIRECTORY ${CMAKE_BINARY_DIR}/fuzz)
endfunction()

# edgerow_subdirs(): every folder below this one that has a CMakeLists.txt.
function(edgerow_subdirs)
  file(GLOB lists CONFIGURE_DEPENDS ${CMAKE_CURRENT_SOURCE_DIR}/*/CMakeLists.txt)
  foreach(list ${lists})
    get_filename_component(dir ${list} DIRECTORY)
    add_subdirectory(${dir})
  endforeach()
endfunction()
