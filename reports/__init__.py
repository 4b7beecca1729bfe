"""Documents for people to keep and sign: values of the answers in, PDF/UA out. The layouts stand in `layouts/`."""
