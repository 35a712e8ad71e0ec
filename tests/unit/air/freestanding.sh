#!/bin/sh
# Compiles protocol/air as for a microcontroller and lists what it calls: nothing but itself, the block
# cipher and the four memory functions every C compiler needs. Then compiles it for a small 32-bit core.
set -eu
top=$1
mbedtls=$2
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

allowed='^(air_[a-z0-9_]+|mbedtls_aes_(init|free|setkey_enc|crypt_ecb)|mbedtls_platform_zeroize|mem(cpy|set|cmp|move))$'

for compiler in gcc clang; do
    command -v "$compiler" >/dev/null || continue
    for source in "$top"/protocol/air/*.c; do
        object=$work/$compiler-$(basename "$source" .c).o
        "$compiler" -std=c11 -ffreestanding -Os -Wall -Wextra -Werror -fno-stack-protector \
            -U_FORTIFY_SOURCE -I"$top" -isystem "$mbedtls" -c "$source" -o "$object"
    done
    calls=$(nm -u "$work/$compiler"-*.o | awk '$1 == "U" { print $2 }' | sort -u)
    strangers=$(echo "$calls" | grep -Ev "$allowed" || true)
    if [ -n "$strangers" ]; then
        echo "protocol/air calls what a microcontroller may not have ($compiler):" $strangers
        exit 1
    fi
    if ! echo "$calls" | grep -q mbedtls_aes_crypt_ecb; then
        echo "the list of calls is not what it should be: no cipher in it"
        exit 1
    fi
done

command -v clang >/dev/null || exit 0
# What a station's builder has: a cipher configured alone, and declarations of the memory functions.
mkdir "$work/include"
cat >"$work/include/string.h" <<'H'
#include <stddef.h>
void *memcpy(void *, const void *, size_t);
void *memset(void *, int, size_t);
int memcmp(const void *, const void *, size_t);
H
ln -s "$mbedtls/mbedtls" "$work/include/mbedtls"
[ ! -d "$mbedtls/psa" ] || ln -s "$mbedtls/psa" "$work/include/psa"
echo '#define MBEDTLS_AES_C' >"$work/include/cipher_only.h"
for source in "$top"/protocol/air/*.c; do
    clang --target=thumbv6m-none-eabi -std=c11 -ffreestanding -Os -Wall -Wextra -Werror \
        '-DMBEDTLS_CONFIG_FILE="cipher_only.h"' -I"$top" -isystem "$work/include" \
        -c "$source" -o "$work/thumb-$(basename "$source" .c).o"
done
echo "on a small 32-bit core: $(size "$work"/thumb-*.o 2>/dev/null | awk 'NR > 1 { n += $1 } END { print n }') bytes of code"
