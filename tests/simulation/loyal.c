/* Every safeguard is in place. */
#include <stddef.h>

#include "tests/simulation/sabotage.h"

bool sabotage_set(const char *name)
{
    (void)name;
    return false;
}

const char *sabotage_name(void)
{
    return NULL;
}
