/* The port of a program that is called from within: nobody is on the link, and nothing watches it. Included once. */
#ifndef NO_LINK_H
#define NO_LINK_H

#include "dw_port.h"

bool dw_port_receive(uint8_t *byte)
{
    (void)byte;
    return false;
}

bool dw_port_send(uint8_t byte)
{
    (void)byte;
    return true;
}

void dw_port_alive(void)
{
}

#endif
