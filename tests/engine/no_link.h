/* In the place of dw_link.c, for a program that is called from within: nobody is on the link, and nothing watches it.
 * Included once. */
#ifndef NO_LINK_H
#define NO_LINK_H

#include "dw_link.h"

void dw_link_start(void)
{
}

void dw_link_poll(void)
{
}

void dw_port_alive(void)
{
}

uint8_t dw_port_reset_cause(void)
{
    return DW_CAUSE_POWER;
}

#endif
