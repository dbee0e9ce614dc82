"""Takes water samples with a pump under a servo lid."""
