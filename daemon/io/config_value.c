#include "io/config_value.h"

#include <arpa/inet.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool is_alphanumeric(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9');
}

bool config_value_name(const char *text, char *out, size_t size)
{
    size_t len = strlen(text);
    if (len == 0 || len >= size || !is_alphanumeric(text[0]))
        return false;
    for (size_t i = 0; i < len; i++)
        if (!is_alphanumeric(text[i]) && strchr("_.-", text[i]) == NULL)
            return false;
    memcpy(out, text, len + 1);
    return true;
}

bool config_value_whole(const char *text, int64_t least, int64_t most, int64_t *out)
{
    size_t digits = strspn(text, "0123456789");
    if (digits == 0 || digits > 15 || text[digits] != '\0')
        return false;
    int64_t value = 0;
    for (size_t i = 0; i < digits; i++)
        value = value * 10 + (text[i] - '0');
    if (value < least || value > most)
        return false;
    *out = value;
    return true;
}

bool config_value_ns(const char *text, double least, double most, int64_t unit_ns, int64_t *out)
{
    size_t len = strlen(text);
    if (len == 0 || len > 15 || strspn(text, "0123456789.") != len || text[0] == '.')
        return false;
    char *end = NULL;
    double value = strtod(text, &end);
    if (*end != '\0' || value < least || value > most)
        return false;
    *out = llround(value * (double)unit_ns);
    return true;
}

bool config_value_host_port(const char *text, int64_t least_port, char *host, size_t host_size,
                            uint16_t *port)
{
    const char *start = text;
    const char *colon = strrchr(text, ':');
    if (colon == NULL)
        return false;
    const char *stop = colon;
    if (text[0] == '[') {
        if (stop - text < 2 || stop[-1] != ']')
            return false;
        start++;
        stop--;
    } else if (memchr(text, ':', (size_t)(colon - text)) != NULL) {
        return false;
    }
    size_t len = (size_t)(stop - start);
    int64_t number = 0;
    if (len == 0 || len >= host_size || strcspn(text, " \t/@") != strlen(text) ||
        !config_value_whole(colon + 1, least_port, 65535, &number))
        return false;
    memcpy(host, start, len);
    host[len] = '\0';
    *port = (uint16_t)number;
    return true;
}

bool config_value_hex16(const char *text, char end, uint16_t *out, const char **rest)
{
    size_t digits = strspn(text, "0123456789abcdefABCDEF");
    if (digits == 0 || digits > 4 || (text[digits] != end && text[digits] != '\0'))
        return false;
    *out = (uint16_t)strtoul(text, NULL, 16);
    *rest = text[digits] == '\0' ? text + digits : text + digits + 1;
    return true;
}

bool config_value_path(const char *text, const char *folder, char *out, size_t size)
{
    bool joined = text[0] != '/' && folder[0] != '\0';
    size_t folder_len = joined ? strlen(folder) + 1 : 0;
    size_t len = strlen(text);
    if (len == 0 || folder_len + len >= size)
        return false;
    if (joined)
        snprintf(out, size, "%s/", folder);
    memcpy(out + folder_len, text, len + 1);
    return true;
}

bool config_value_is_loopback(const char *host)
{
    struct in_addr v4;
    struct in6_addr v6;
    if (strcmp(host, "localhost") == 0)
        return true;
    if (inet_pton(AF_INET, host, &v4) == 1)
        return (ntohl(v4.s_addr) >> 24) == 127;
    return inet_pton(AF_INET6, host, &v6) == 1 && IN6_IS_ADDR_LOOPBACK(&v6);
}
