# A package of its own, with its own tests: test_plugin_package.py installs it and runs them.
collect_ignore = ["plugin_package"]
