/*
 * Pins of fin-mcu, a companion of heron (raspberrypi,4-model-b).
 *
 * Made by robokit-plan wiring --format c-header: change robot.yaml and make it anew.
 *
 * CAUTION motion (helm): parts move by themselves, at start too: keep people and fingers clear,
 * lift wheels and blades off, and have a switch at hand that cuts motor power without software.
 * Local codes, the data sheet of each part and licensed practice come before what stands here.
 */
#ifndef ROBOKIT_HERON_FIN_MCU_H
#define ROBOKIT_HERON_FIN_MCU_H

#define HERON_ROBOT "heron"
#define HERON_BOARD "raspberrypi,4-model-b"
#define HERON_CONTROLLER "fin-mcu"
/* SHA-256 of the lock file that says the same. */
#define HERON_PLAN "0000000000000000000000000000000000000000000000000000000000000000"

/* helm.rudder-pulse: servo, 50 Hz */
#define HERON_HELM_RUDDER_PULSE_PIN 4
#define HERON_HELM_RUDDER_PULSE_PIN_NAME "gpio4"
#define HERON_HELM_RUDDER_PULSE_FUNCTION "servo"
#define HERON_HELM_RUDDER_PULSE_HZ 50
#define HERON_HELM_RUDDER_PULSE_ACTIVE_LOW 0

/* sampler.lid-closed: input, active low */
#define HERON_SAMPLER_LID_CLOSED_PIN 6
#define HERON_SAMPLER_LID_CLOSED_PIN_NAME "gpio6"
#define HERON_SAMPLER_LID_CLOSED_FUNCTION "input"
#define HERON_SAMPLER_LID_CLOSED_ACTIVE_LOW 1
#define HERON_SAMPLER_LID_CLOSED_PULL_UP 1

/* fin-mcu.inhibit: inhibit, active low, stops rudder */
#define HERON_INHIBIT_PIN 15
#define HERON_INHIBIT_PIN_NAME "15"
#define HERON_INHIBIT_FUNCTION "inhibit"
#define HERON_INHIBIT_ACTIVE_LOW 1

/* fin-mcu.link: link of fin-mcu */
#define HERON_LINK_TO "usb 2e8a:000a"

#endif /* ROBOKIT_HERON_FIN_MCU_H */
