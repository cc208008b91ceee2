#include "export/stands.h"

#include <string.h>

bool stands(const char *state)
{
    static const char *const good[] = {"open", "closed", "taken"};
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++)
        if (strcmp(state, good[i]) == 0)
            return true;
    return false;
}
