/* The engine in an Arduino sketch: begin() once, run() over and over, and a request where the sketch wants one. */
#ifndef DW_ARDUINO_H
#define DW_ARDUINO_H

#include <Arduino.h>

extern "C" {
#include "dw_engine.h"
}

class DosewrightEngine {
public:
    /* All outputs off, inputs with pull-ups, and the engine at rest. Call it first in setup(). The link is a serial
     * port that has begun at 115200; without one there is no upload and no replay. */
    void begin();
    void begin(Stream &link);

    /* The tick if it is due, buttons, link. Call it in loop() and never let it wait: the pins change
     * as much later as it is called later, and after 20 ms the pour is stopped. */
    void run();

    /* The requests, after begin(). The answer's reason is DW_OK, or why not (dw_engine.h lists them). */
    dw_answer_t pour(uint16_t recipe, uint8_t serving);
    dw_answer_t goOn();
    void stop();

    /* How things stand: state (DW_IDLE, DW_POURING, DW_PAUSED, DW_JOGGING), result, why, interlocks. */
    dw_status_t status();

    /* How late the latest edge since begin() was, in microseconds: what this sketch costs the pins. */
    uint32_t latest();
};

extern DosewrightEngine Dosewright;

#endif
