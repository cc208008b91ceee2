/* flash: constant tables lie in the flash of the small part, whose RAM is dear; elsewhere in memory like any constant. */
#ifndef PAD_FLASH_H
#define PAD_FLASH_H

#ifdef __AVR__
#define FLASH __flash
#else
#define FLASH
#endif

#endif
