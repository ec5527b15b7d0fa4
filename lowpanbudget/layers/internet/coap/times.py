"""How long CoAP waits and remembers, in seconds, with the default parameters of RFC 7252 sections 4.8 and 4.8.2."""

ACK_TIMEOUT_S = 2.0
MAX_RETRANSMIT = 4
# after how long a confirmable message may be sent again, each time: the wait doubles (section 4.2)
AGAIN_S = tuple(ACK_TIMEOUT_S * (2**number - 1) for number in range(1, MAX_RETRANSMIT + 1))
MAX_TRANSMIT_SPAN_S = 45
MAX_TRANSMIT_WAIT_S = 93
EXCHANGE_LIFETIME_S = 247
NON_LIFETIME_S = 145
MAX_AGE_S = (
    60  # of an answer that says none: "A default value of 60 seconds is assumed" (section 5.10.5)
)
