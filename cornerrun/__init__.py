"""Automated voltage-margin tests on boards with many supply rails."""
