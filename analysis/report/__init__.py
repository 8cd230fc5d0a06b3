"""Reports as values (`value`), their words (`words`), their figures (`figures_*`) and two thin renderers."""
