/*
 * Configuration files in the ini form, read by inih, checked against a table: every key has a type,
 * a range, a default and a sentence that says what it is for. Unknown sections and keys, values out
 * of range and repeated keys are refused with file, line, value and what to do. Unknown means
 * refused: a misspelt key must not silently leave a default in force.
 */
#ifndef EDGEROW_SETTINGS_H
#define EDGEROW_SETTINGS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum settings_type {
    SETTINGS_TEXT,    /* char *: UTF-8, copied, freed by settings_free */
    SETTINGS_NAME,    /* char *: letters, digits, . _ -, at most 32 */
    SETTINGS_PATH,    /* char *: absolute, or relative to the file's folder: made absolute */
                      /* These three may be left empty where the fallback is "". */
    SETTINGS_INTEGER, /* int64_t */
    SETTINGS_NUMBER,  /* double */
    SETTINGS_SWITCH,  /* bool: yes or no */
    SETTINGS_CHOICE,  /* int: index into choices */
    SETTINGS_CLOCK    /* int64_t: seconds of the local day, written HH:MM */
};

struct settings_key {
    const char *section; /* "radio.*" accepts radio.0, radio.1 …; the handler gets the number */
    const char *name;
    enum settings_type type;
    size_t offset;        /* into the section's structure */
    double least, most;   /* INTEGER and NUMBER; lengths in bytes for TEXT (both 0: up to 150) */
    const char *fallback; /* default as text; NULL: required. In an optional section that is absent
                           * a required key stays all zero */
    const char *const *choices; /* CHOICE, NULL-terminated */
    const char *purpose;        /* one sentence, shown in errors and in the manual page */
};

/* A numbered section's instances: base + number * size. */
struct settings_section {
    const char *name;      /* "site", or "radio.*" */
    size_t offset;         /* of the (first) structure in the target */
    size_t size;           /* of one instance, for numbered sections */
    unsigned most;         /* how many instances, for numbered sections */
    size_t count_offset;   /* of an unsigned that counts instances, for numbered sections */
    bool optional;         /* may be absent altogether: defaults apply; numbered: may be none */
    size_t present_offset; /* of a bool set when the section was there; (size_t)-1: none */
};

struct settings_schema {
    const struct settings_section *sections;
    size_t section_count;
    const struct settings_key *keys;
    size_t key_count;
};

struct settings_fault {
    char text[512]; /* complete sentence: "site.ini:12: [bait] age_days = 0 is out of range: give
                     * whole days from 1 to 60." */
};

/* For other readers of people's files, so that all faults look alike. */
void settings_fault_set(struct settings_fault *fault, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* Reads the file into target, which must be all zero. 0, or a negative errno with fault->text set:
 * the first fault in the file. Strings already set are freed by settings_free also after a failure.
 * Numbered sections count from 0 without gaps. A byte order mark and CRLF are accepted; lines are
 * at most 190 bytes long and UTF-8; a comment starts with # or ; at the start of a line, or with "
 * ;" after a value. */
int settings_read(const char *path, const struct settings_schema *schema, void *target,
                  struct settings_fault *fault);
/* The same from memory; name stands for the file in messages, folder (may be NULL) for its folder.
 */
int settings_parse(const char *text, size_t len, const char *name, const char *folder,
                   const struct settings_schema *schema, void *target,
                   struct settings_fault *fault);
void settings_free(const struct settings_schema *schema, void *target);

/* A file that holds a secret must belong to this user and be readable by nobody else (mode 0600 or
 * 0400). 0, or a negative errno with a sentence that names the remedy. */
int settings_secret_check(const char *path, struct settings_fault *fault);
/* First line of such a file, without the line end. */
int settings_secret_read(const char *path, char *text, size_t capacity,
                         struct settings_fault *fault);

#endif
