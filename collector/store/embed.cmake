# Writes OUT, a C file that holds the bytes of IN, ended by NUL, as NAME.
file(READ ${IN} bytes HEX)
string(REGEX REPLACE "(..)" "0x\\1," bytes "${bytes}")
string(REGEX REPLACE "(0x..,0x..,0x..,0x..,0x..,0x..,0x..,0x..,0x..,0x..,0x..,0x..,)" "\\1\n" bytes "${bytes}")
file(WRITE ${OUT} "#include \"${HEADER}\"\n\nconst unsigned char ${NAME}[] = {\n${bytes}0};\n")
