"""windingd: winding hot-spot monitor and fail-safe cooling controller for power transformers."""
