/* Delivery with the sizes of the small part: ten presses in RAM, the others on record. */
#include "property/pad_delivery.c"
