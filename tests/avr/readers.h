/* Between readers.c and rot.c. */
#ifndef READERS_H
#define READERS_H

#define STORE_AT 7u

/* Written to GPIOR2. */
#define NEW 1u       /* wants the record as it was made */
#define ROTTEN 2u    /* wants bytes of it changed */
#define REFUSED 3u   /* the record as it was made is not good */
#define DIFFERENT 4u /* one recipe, read in two ways */
#define NONE 5u      /* no recipe of this index */
#define WHOLE 6u
#define BROKEN 7u

#endif
