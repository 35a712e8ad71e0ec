# Every foreign library, found once. Versions are those of Debian 12 and 13.
find_package(PkgConfig REQUIRED)
find_package(Threads REQUIRED)

# pkg_check_modules where the package ships a .pc file in both releases.
pkg_check_modules(MOSQUITTO REQUIRED IMPORTED_TARGET libmosquitto)
pkg_check_modules(SQLITE REQUIRED IMPORTED_TARGET sqlite3>=3.40)
pkg_check_modules(JANSSON REQUIRED IMPORTED_TARGET jansson)
pkg_check_modules(INIH REQUIRED IMPORTED_TARGET inih)
pkg_check_modules(CURL REQUIRED IMPORTED_TARGET libcurl)
pkg_check_modules(SYSTEMD REQUIRED IMPORTED_TARGET libsystemd)
pkg_check_modules(GPIOD REQUIRED IMPORTED_TARGET libgpiod)
pkg_check_modules(CHECK REQUIRED IMPORTED_TARGET check)
pkg_check_modules(PROJ REQUIRED IMPORTED_TARGET proj)

# These ship no .pc file: header and library by name.
function(edgerow_find_part name header library)
  find_path(${name}_INCLUDE ${header} REQUIRED)
  find_library(${name}_LIBRARY ${library} REQUIRED)
  add_library(part_${name} INTERFACE)
  target_include_directories(part_${name} SYSTEM INTERFACE ${${name}_INCLUDE})
  target_link_libraries(part_${name} INTERFACE ${${name}_LIBRARY})
endfunction()

edgerow_find_part(mbedcrypto mbedtls/aes.h mbedcrypto)
edgerow_find_part(libcsv csv.h csv)
edgerow_find_part(libnova libnova/libnova.h nova)
edgerow_find_part(geos geos_c.h geos_c)
