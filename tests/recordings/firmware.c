/*
 * A firmware that cannot make up its mind: `firmware SEED STEPS DIRECTORY` works on files of the host, tells each
 * operation with recorder.h on its standard output, and chatters between. The files are DIRECTORY/0, DIRECTORY/1, ...;
 * the console shows them as NAMES.
 */
#define _POSIX_C_SOURCE 200112L
#include "recorder.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define NAME_COUNT 5
#define SLOTS 3
#define BYTES_MAX 300

static const char *const NAMES[NAME_COUNT] = {"/log.csv", "/log.csv/a b", "/\303\244@%.bin", "/\001\377", "plain"};
static const char *const MODES[] = {"r", "rb", "r+", "w", "wb", "w+b", "a", "ab+", "a+", "wx"};
static const char *const CHATTER[] = {"wifi: up\n", "> ", "@fs\n", "mail@fs1\n", "\r\n", "@@ 1 2 write\n", "\033[0m"};

static unsigned long dice;
static uint32_t clock_ms = 0xfffff000u; /* runs over soon */
static char path[2][4096];
static FILE *files[SLOTS];

static uint32_t draw(uint32_t below)
{
    dice = (dice * 1103515245ul + 12345ul) & 0x7ffffffful;
    return (uint32_t)(dice >> 8) % below;
}

static void put(char c, void *context)
{
    (void)context;
    putchar(c);
}

static uint32_t now(void *context)
{
    uint32_t *ms = context;
    return *ms += draw(90);
}

static simfs_recorder recorder = {put, now, &clock_ms, 0, 0, 0};

static const char *host(int which, const char *directory, uint32_t name)
{
    sprintf(path[which], "%s/%u", directory, (unsigned)name);
    return path[which];
}

static void open_one(const char *directory, uint32_t slot)
{
    uint32_t name = draw(NAME_COUNT);
    const char *mode = MODES[draw(sizeof MODES / sizeof *MODES)];
    FILE *file = fopen(host(0, directory, name), mode);
    if (file != NULL) {
        files[slot] = file;
        simfs_record_open(&recorder, slot + 7, mode, NAMES[name]);
    }
}

static void move_bytes(uint32_t slot)
{
    unsigned char bytes[BYTES_MAX];
    uint32_t length = draw(BYTES_MAX), at;
    int number = fileno(files[slot]), unsaid = draw(8) == 0;
    ssize_t moved;
    if (draw(3) == 0) {
        moved = read(number, bytes, length);
        if (moved >= 0) simfs_record_read(&recorder, slot + 7, (uint32_t)moved);
        return;
    }
    for (at = 0; at < length; at++) bytes[at] = (unsigned char)(unsaid ? 0 : draw(256));
    moved = write(number, bytes, length);
    if (moved >= 0) simfs_record_write(&recorder, slot + 7, unsaid ? NULL : bytes, (uint32_t)moved);
}

static void place(uint32_t slot)
{
    int number = fileno(files[slot]);
    uint32_t size = draw(2 * BYTES_MAX);
    if (draw(2) == 0) {
        simfs_record_seek(&recorder, slot + 7, (uint32_t)lseek(number, (off_t)draw(BYTES_MAX), SEEK_SET));
    } else if (ftruncate(number, (off_t)size) == 0) {
        simfs_record_truncate(&recorder, slot + 7, size);
    }
}

static void change_names(const char *directory)
{
    uint32_t old_name = draw(NAME_COUNT), new_name = draw(NAME_COUNT);
    if (draw(2) == 0) {
        if (remove(host(0, directory, old_name)) == 0) simfs_record_remove(&recorder, NAMES[old_name]);
    } else if (rename(host(0, directory, old_name), host(1, directory, new_name)) == 0) {
        simfs_record_rename(&recorder, NAMES[old_name], NAMES[new_name]);
    }
}

static void close_one(uint32_t slot)
{
    fclose(files[slot]);
    files[slot] = NULL;
}

static void restart(void)
{
    uint32_t slot;
    for (slot = 0; slot < SLOTS; slot++) {
        if (files[slot] == NULL) continue;
        simfs_record_flush(&recorder, slot + 7);
        close_one(slot);
    }
    clock_ms = 0;
    puts("\nstarting");
    simfs_record_boot(&recorder);
}

static void step(const char *directory)
{
    uint32_t slot = draw(SLOTS), what = draw(40);
    if (draw(4) == 0) fputs(CHATTER[draw(sizeof CHATTER / sizeof *CHATTER)], stdout);
    if (what == 0) {
        restart();
    } else if (what < 5) {
        change_names(directory);
    } else if (files[slot] == NULL) {
        open_one(directory, slot);
    } else if (what < 9) {
        close_one(slot);
        simfs_record_close(&recorder, slot + 7);
    } else if (what < 14) {
        place(slot);
    } else {
        move_bytes(slot);
    }
}

int main(int count, char **words)
{
    long steps;
    if (count != 4) return 2;
    dice = strtoul(words[1], NULL, 10);
    simfs_record_boot(&recorder);
    for (steps = strtol(words[2], NULL, 10); steps > 0; steps--) step(words[3]);
    return 0;
}
